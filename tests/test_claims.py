"""Every claim of README and the hardware notes is in one list, with the test that holds it or the reason why none does."""

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


def test_every_section_of_every_document_has_a_row() -> None:
    listed = {(document, section) for document, section, _, _ in rows()}
    there = {(document, section) for document in DOCUMENTS for section, text in sections(document).items()
             if len(plain(re.sub(r"^# .*$", "", text, flags=re.M))) > 0}
    assert there - listed == set(), "sections without a row"
    assert {one for one in listed - there if one[1] != "(beginning)"} == set(), "rows of no section"


def test_the_words_are_in_their_section() -> None:
    texts = {document: {name: plain(text) for name, text in sections(document).items()} for document in DOCUMENTS}
    lost = [(document, words) for document, section, words, _ in rows() if plain(words) not in texts[document].get(section, "")]
    assert lost == []


def test_what_holds_them_is_a_test_or_is_said_to_be_none() -> None:
    for document, _, words, held in rows():
        if held.startswith("not checked: "):
            continue
        for proof in held.split(", "):
            file, _, name = proof.partition("::")
            text = (ROOT / file).read_text()
            assert name == "*" or f"def {name}(" in text, f"{document}: {words}: {proof}"
