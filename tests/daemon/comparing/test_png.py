"""Charts as pictures: what is in them, and what is said where they cannot be made."""

from __future__ import annotations

import struct
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from daemon.comparing.errors import CompareError
from daemon.comparing.files import folder_of, write_charts
from daemon.comparing.palette import DARK, LIGHT, LOOKS, PRINT, TEXTS, css
from daemon.comparing.plots import Chart
from daemon.comparing.png import DOTS, write_pictures
from daemon.comparing.svg import Drawing, Scale


def chart(kinds: tuple[str, ...] = ("duct",)) -> Chart:
    drawing = Drawing(720.0, 100.0, "A chart <of> everything & more")
    scale = Scale(-10.0, 0.0, 170.0, 700.0)
    drawing.bottom(scale, 58.0, 8.0, "change, % (m³/h − cfm)")
    drawing.whisker(scale, -8.0, -4.0, 30.0, "ink")
    drawing.diamond(300.0, 30.0, 6.0, "drawn")
    drawing.path([(10.0, 10.0), (20.0, 40.0), (30.0, 10.0)], "move")
    drawing.area([(10.0, 50.0), (20.0, 40.0), (30.0, 50.0)], "heap after")
    drawing.dot(100.0, 20.0, 5.0, "before")
    for kind in kinds:
        drawing.bar(700.0, 400.0, 30.0, 16.0, kind)
    return Chart("ports", "Air at the ports", (("duct", "the ducts' part"),), drawing, "Whiskers are 95 % intervals.")


def test_a_picture_is_a_png_of_the_drawing_with_room_for_heading_and_note(tmp_path: Path) -> None:
    (path,) = write_pictures([chart()], tmp_path / "new" / "folder")
    data = path.read_bytes()
    # PNG (ISO/IEC 15948): signature, then the header chunk with width and height.
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", data[16:24])
    assert width == 7.2 * DOTS
    assert height > 1.0 * DOTS


def test_every_kind_of_shape_has_a_look_and_every_look_its_colours() -> None:
    for colours in (LIGHT, DARK, PRINT):
        wanted = {c for look in LOOKS.values() for c in (look.stroke, look.fill) if c} | {c for c, _, _ in TEXTS.values()}
        assert wanted <= set(colours)
    assert all(f".{kind.replace(' ', '.')}{{" in css() for kind in LOOKS)
    used = {shape.kind for shape in chart().drawing.shapes}
    assert used <= set(LOOKS) | set(TEXTS)


def test_a_drawing_is_well_formed_and_stands_alone(tmp_path: Path) -> None:
    write_charts([chart()], tmp_path)
    root = ElementTree.parse(tmp_path / "ports.svg").getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.findtext("{http://www.w3.org/2000/svg}title") == "A chart <of> everything & more"
    texts = [node.text for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "the ducts' part" in texts
    assert "change, % (m³/h − cfm)" in texts


def test_without_matplotlib_it_is_said_what_is_missing_and_the_page_has_its_charts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(CompareError, match=r"pip install '\.\[plots\]'"):
        write_pictures([chart()], tmp_path)
    folder = folder_of(tmp_path / "shop.db")
    (told,) = write_charts([chart()], folder)
    assert told["png"] is False
    assert [path.name for path in folder.iterdir()] == ["ports.svg"]


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CompareError, match="cannot be written"):
        write_pictures([chart()], tmp_path / "file" / "folder")


def test_charts_of_an_earlier_comparison_do_not_stay(tmp_path: Path) -> None:
    (tmp_path / "readings-old.svg").write_text("old")
    (tmp_path / "kept.txt").write_text("not ours")
    write_charts([chart()], tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"ports.svg", "ports.png", "kept.txt"}
