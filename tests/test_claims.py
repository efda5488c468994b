"""Every claim of README and the hardware notes is in one list, with the test that holds it or the reason why none does.

A new sentence without an entry fails: each sentence and each row of a table belongs to a row of the list that quotes it, to one
that covers its table (``(table HEADING)``), or to the count of its section's sentences that state nothing to check
(``(rest: N)``).
"""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LIST = (ROOT / "tests" / "claims.md").read_text()
DOCUMENTS = ["README.md", *sorted(str(path.relative_to(ROOT)) for path in (ROOT / "hardware_notes").rglob("*.md"))]


def plain(text: str) -> str:
    return " ".join(text.split())


def rows() -> list[tuple[str, str, str, str]]:
    """Document, section, words and what holds them."""
    found = []
    for part in re.split(r"^## ", LIST, flags=re.M)[1:]:
        document, _, table = part.partition("\n")
        for line in table.strip().splitlines()[2:]:
            section, words, held = (cell.strip().replace("\\|", "|") for cell in re.split(r"(?<!\\)\|", line)[1:4])
            found.append((document.strip(), section, words, held))
    return found


def sections(document: str) -> dict[str, str]:
    """Every section with words of its own, by its heading."""
    text = re.sub(r"^```.*?^```", lambda found: found[0].replace("\n#", "\n "), (ROOT / document).read_text(), flags=re.M | re.S)
    pieces = re.split(r"^#{2,3} (.*)$", text, flags=re.M)
    return {"(beginning)": pieces[0], **dict(zip(pieces[1::2], pieces[2::2], strict=True))}


def sentences(text: str) -> list[tuple[str, str]]:
    """The sentences of a section, each with the first heading of the table that it is a row of ("-": of none). Code, pictures,
    headings and marks are none."""
    found: list[tuple[str, str]] = []
    paragraph: list[str] = []
    table = "-"

    def close() -> None:
        words = re.sub(r"^([-*]|\d+\.) ", "", plain(" ".join(paragraph)))
        paragraph.clear()
        if not re.fullmatch(r"!\[.*\]\(.*\)", words):
            found.extend((one, "-") for one in re.split(r"(?<=[.!?:])\s+(?=[A-Z`\"'(*\[]|ductwarden is)", words) if one)

    for line in re.sub(r"^```[\s\S]*?^```|^#.*$|<!--[\s\S]*?-->", "", text, flags=re.M).splitlines():
        words = line.strip()
        if not words.startswith("|"):
            table = "-"
        if not words or words.startswith("|") or re.match(r"([-*]|\d+\.) ", words):
            close()
        if words.startswith("|"):
            if "---" in words and set(words) <= set("|-: "):
                table = found.pop()[0].split("|")[1].strip()  # the row above was the table's head
            elif not words.startswith("| !["):
                found.append((words, table))
        elif words and (paragraph or not line.startswith("    ")):
            paragraph.append(words)
    close()
    return found


def test_every_sentence_has_an_entry() -> None:
    for document in DOCUMENTS:
        for section, text in sections(document).items():
            mine = [words for of, within, words, _ in rows() if (of, within) == (document, section)]
            tables = {words[7:-1] for words in mine if words.startswith("(table ")}
            rest = [int(words[7:-1]) for words in mine if words.startswith("(rest: ")]
            left = [words for words, table in sentences(text)
                    if table not in tables and not any(plain(quoted) in words for quoted in mine)]
            assert len(left) == sum(rest), f"{document}, {section}: {sum(rest)} are counted as stating nothing, not these: {left}"


def test_every_row_is_of_a_section_that_is_there_and_quotes_it() -> None:
    for document, section, words, _ in rows():
        text = plain(sections(document)[section])
        if words.startswith("(table "):
            assert words[7:-1] in {table for _, table in sentences(sections(document)[section])}, (document, section, words)
        elif not words.startswith("(rest: "):
            assert plain(words) in text, (document, section, words)


def test_what_holds_them_is_a_test_or_is_said_to_be_none() -> None:
    for document, _, words, held in rows():
        if held.startswith("not checked: "):
            continue
        for proof in held.split(", "):
            file, _, name = proof.partition("::")
            text = (ROOT / file).read_text()
            assert name == "*" or f"def {name}(" in text, f"{document}: {words}: {proof}"
