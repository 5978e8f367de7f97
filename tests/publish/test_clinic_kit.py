"""The clinic kit: real slides with editable words, every caution, the counts of the results, nothing over the edge."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import zipfile
from collections.abc import Iterator
from functools import partial
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest
from pptx import Presentation
from pptx.util import Pt
from publish_comparisons import HOSTILE, NAMES, build

from analysis.comparison.result import Comparison
from analysis.publish.canvas import tidy
from analysis.publish.clinic import (
    SHEET,
    clinic_kit,
    clinic_picture,
    clinic_text,
    fitted,
    sheet_plan,
    short_names,
)
from analysis.publish.slides import clinic_files, report_pptx
from analysis.reading.sentences import cautions

ALL = ("five", "hostile", "deduction", "grade", "one routine each", "six thousand", "nothing used", "twelve")
LONG = (
    "Diamidov to handstand then tucked double back with a half turn and a third half turn before the mat",
    "Diamidov to handstand then piked double back with a half turn and a third half turn before the mat",
)


@pytest.fixture(scope="module")
def decks(variants: dict[str, Comparison]) -> dict[str, bytes]:
    made = {**variants, "long": build(names=LONG, counts=((9, 0, 0, 0, 0), (14, 4, 2, 1, 1)))}
    return {name: report_pptx(one, clinic_kit(one)) for name, one in made.items()}


@pytest.fixture(scope="module")
def files(comparison: Comparison) -> dict[str, bytes]:
    return clinic_files(comparison)


def opened(deck: bytes) -> Any:
    return Presentation(io.BytesIO(deck))


def said(slide: Any) -> str:
    return "\n".join(shape.text_frame.text for shape in slide.shapes if shape.has_text_frame)


def runs(slide: Any) -> Iterator[Any]:
    for shape in slide.shapes:
        if shape.has_text_frame:
            for paragraph in shape.text_frame.paragraphs:
                yield from paragraph.runs


def test_the_kit_is_four_files(files: dict[str, bytes]) -> None:
    assert sorted(files) == [
        "clinic/clinic.md",
        "clinic/clinic.png",
        "clinic/clinic.pptx",
        "clinic/clinic.svg",
    ]


def test_the_deck_asks_tells_how_sure_the_points_and_what_it_does_not_say(
    files: dict[str, bytes], comparison: Comparison
) -> None:
    deck, kit = opened(files["clinic/clinic.pptx"]), clinic_kit(comparison)
    assert (deck.slide_width, deck.slide_height) == (12192000, 6858000)
    titles = [slide.shapes.title.text for slide in deck.slides]
    assert titles == [kit.question, "How sure are we?", "Points lost on the landing", "What this doesn't say"]
    first = said(deck.slides[0])
    assert all(sentence in first for sentence in kit.sentences)
    assert kit.sentences[1] in said(deck.slides[1])
    assert all(sentence in said(deck.slides[2]) for _, sentence in kit.points)
    assert kit.sentences[2] in said(deck.slides[3])


def test_without_deductions_there_is_no_slide_of_points() -> None:
    plain = build(names=NAMES[:2], counts=((9, 0, 0, 0, 0), (14, 4, 2, 1, 1)), full=False)
    deck = opened(report_pptx(plain, clinic_kit(plain)))
    assert len(deck.slides) == 3


@pytest.mark.parametrize("name", [*ALL, "long"])
def test_every_slide_is_made_of_placeholders_with_words_a_title_and_described_pictures(
    decks: dict[str, bytes], name: str
) -> None:
    for slide in opened(decks[name]).slides:
        assert slide.shapes.title.text.strip()
        assert slide.slide_layout.name in ("Picture and words", "Words")
        assert all(shape.is_placeholder for shape in slide.shapes)
        for shape in slide.shapes:
            if not shape.has_text_frame:
                assert len(shape._element.nvPicPr.cNvPr.get("descr")) > 40
            else:
                assert shape.text_frame.text.strip()


@pytest.mark.parametrize("name", [*ALL, "long"])
def test_the_cautions_are_in_the_deck_whole(decks: dict[str, bytes], name: str) -> None:
    last = said(list(opened(decks[name]).slides)[-1])
    for caution in cautions():
        assert caution in last


@pytest.mark.parametrize("name", [*ALL, "long"])
def test_words_can_be_read_from_the_back_of_a_gym_and_fit_their_boxes(
    decks: dict[str, bytes], name: str
) -> None:
    deck = opened(decks[name])
    # Two names of a hundred letters that differ in their middle can't be shortened; they alone cost a size.
    least = Pt(18 if name == "long" else 20)
    for slide in deck.slides:
        assert all(run.font.size >= least for run in runs(slide))
        boxes = sorted((s.top, s.top + s.height, s.left, s.left + s.width) for s in slide.shapes)
        for (_, end, _, _), (start, _, _, _) in pairwise(boxes):
            assert end <= start + 1
        assert all(left >= 0 and right <= deck.slide_width for _, _, left, right in boxes)
        assert max(end for _, end, _, _ in boxes) <= deck.slide_height


def test_the_deck_speaks_british_english_in_its_own_colours_without_fields_or_links(
    decks: dict[str, bytes],
) -> None:
    for deck in decks.values():
        with zipfile.ZipFile(io.BytesIO(deck)) as parts:
            names = parts.namelist()
            texts = {name: parts.read(name).decode() for name in names if name.endswith((".xml", ".rels"))}
        assert not any("thumbnail" in name or "printer" in name for name in names)
        whole = "".join(texts.values())
        assert "en-US" not in whole
        assert "hlinkClick" not in whole
        assert "External" not in whole
        slides = [text for name, text in texts.items() if name.startswith("ppt/slide")]
        assert not any("<a:fld" in text for text in slides)
        assert 'lang="en-GB"' in slides[0]
        assert "4F81BD" not in texts["ppt/theme/theme1.xml"]
        assert "Macintosh" not in whole


def test_equal_comparisons_give_equal_files(files: dict[str, bytes]) -> None:
    assert clinic_files(build()) == files


def test_every_count_on_the_first_slide_is_the_result(
    decks: dict[str, bytes], variants: dict[str, Comparison]
) -> None:
    for name, one in variants.items():
        slide = opened(decks[name]).slides[0]
        alt = next(s._element.nvPicPr.cNvPr.get("descr") for s in slide.shapes if not s.has_text_frame)
        counts = [(str(group.x), str(group.n)) for group in one.groups]
        assert re.findall(r"(\d+) of (\d+)", alt) == counts[:6]
        told = re.findall(r"(\d+) of (\d+)", said(slide))
        assert told == [pair for pair in counts[: len(told)] if pair != ("0", "0")]


def test_the_notes_hold_the_technical_sentence_the_methods_and_the_sources(
    files: dict[str, bytes], comparison: Comparison
) -> None:
    notes = [slide.notes_slide.notes_text_frame.text for slide in opened(files["clinic/clinic.pptx"]).slides]
    assert comparison.reading.headline in notes[0]
    for group in comparison.groups:
        assert f"{group.name}: {group.x} of {group.n} routines, {group.athletes} athletes." in notes[0]
    for place in (0, -1):
        assert "event_sheet.csv" in notes[place]
        assert comparison.source.sheet_sha256 in notes[place]
    assert comparison.headline.interval is not None
    assert comparison.headline.interval.method in notes[1]
    assert "with falls" in notes[2]
    assert all(line in notes[-1] for line in comparison.reading.cannot_say)


def test_a_hostile_name_is_only_text() -> None:
    names = (*HOSTILE[:2], "tab\tbell\x07 _x0041_ \u202eline\nbreak")
    one = build(names=names, title="=1+1 \x00<b>")
    deck = opened(report_pptx(one, clinic_kit(one)))
    first = said(deck.slides[0])
    assert "tab bell _x0041_ line break" in first
    assert HOSTILE[0] in first
    assert HOSTILE[1] in first
    assert "\x07" not in first
    assert deck.core_properties.title == "=1+1 <b>"
    text = clinic_text(clinic_kit(one))
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_long_names_are_shortened_only_where_they_stay_apart() -> None:
    assert all(len(name) < 48 for name in short_names(LONG[:1] + NAMES))
    alike = ("a" * 40 + "one" + "b" * 40, "a" * 40 + "two" + "b" * 40)
    assert short_names(alike) == alike


def test_the_text_to_send_round_holds_sentences_and_cautions(
    files: dict[str, bytes], comparison: Comparison
) -> None:
    text, kit = files["clinic/clinic.md"].decode(), clinic_kit(comparison)
    assert text.startswith(f"# {kit.question}")
    for line in (*kit.sentences, kit.caution, *cautions(), *(words for _, words in kit.points)):
        assert line in text


def test_the_picture_is_a_slide_with_its_words_as_text(
    files: dict[str, bytes], comparison: Comparison
) -> None:
    png, svg, kit = files["clinic/clinic.png"], files["clinic/clinic.svg"].decode(), clinic_kit(comparison)
    assert (int.from_bytes(png[16:20]), int.from_bytes(png[20:24])) == (1920, 1080)
    shown = " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg))
    for words in ("What we saw", "How sure we are", "9 of 9", "14 of 22", kit.caution):
        assert words in shown
    assert kit.sentences[0] in svg, "the description says it too"


@pytest.mark.parametrize("name", ALL)
def test_no_words_of_the_picture_touch_each_other_or_the_edge(
    variants: dict[str, Comparison], name: str
) -> None:
    kit = clinic_kit(variants[name])
    canvas = fitted(partial(sheet_plan, kit), SHEET)
    canvas.paper.canvas.draw()
    boxes = [(text.get_text(), text.get_window_extent()) for text in canvas.paper.axes[0].texts]
    for words, box in boxes:
        assert box.x0 >= 0, words
        assert box.y0 >= 0, words
        assert box.x1 <= SHEET.width, words
        assert box.y1 <= 540, words
    for (one, a), (two, b) in combinations(boxes, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        down = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across <= 0.5 or down <= 0.35 * min(a.height, b.height), f"{one!r} touches {two!r}"


def test_nothing_used_still_makes_a_kit(variants: dict[str, Comparison]) -> None:
    kit = clinic_kit(variants["nothing used"])
    assert kit.sentences[0] == "No routine of these dismounts can be counted yet."
    assert kit.sure is None
    assert clinic_picture(kit)["png"]


OFFICE = shutil.which("soffice")
IMPRESS = OFFICE is not None and any(Path(OFFICE).resolve().parent.glob("libsdlo*"))


@pytest.mark.skipif(
    not IMPRESS, reason="LibreOffice Impress (soffice with libreoffice-impress) is not installed"
)
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) is not installed")
def test_the_deck_opens_in_an_office_program_a_page_a_slide(files: dict[str, bytes], tmp_path: Path) -> None:
    (tmp_path / "clinic.pptx").write_bytes(files["clinic/clinic.pptx"])
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    command = ["soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path)]
    subprocess.run([*command, str(tmp_path / "clinic.pptx")], check=True, capture_output=True, timeout=120)
    done = subprocess.run(["pdftotext", str(tmp_path / "clinic.pdf"), "-"], check=True, capture_output=True)
    pages = done.stdout.decode().split("\f")[:-1]
    assert len(pages) == 4
    last = tidy(pages[-1])
    for caution in cautions():
        assert tidy(caution) in last
