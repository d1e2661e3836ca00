"""What every figure carries, whatever it shows: words, margin, caution; nothing clipped or overlapping; stable bytes."""

from __future__ import annotations

import dataclasses
import hashlib
import subprocess
import sys
from pathlib import Path

import matplotlib
import numpy as np
import protected_samples
import pytest
import report_samples as samples
import series_samples
from figure_reading import texts_of
from PIL import Image

from ampsoak.base.errors import FileError
from ampsoak.report.figures import (
    history_figure,
    opening_temperature_figure,
    preview_figure,
    protected_history_figure,
    save_figure,
    section_figure,
    time_current_figure,
)
from ampsoak.report.page import text_width, wrapped
from ampsoak.report.words import CAUTION_LINE, origin_words

CASE = samples.curve().title
FIGURES = {
    "time-current": lambda: time_current_figure(samples.curve(), samples.coverage("breaker")),
    "time-current, fuse": lambda: time_current_figure(samples.curve(), samples.coverage("fuse")),
    "time-current, North American": lambda: time_current_figure(samples.curve(), samples.coverage("american")),
    "time-current, points": lambda: time_current_figure(samples.curve(), samples.coverage("points")),
    "time-current, two devices": lambda: time_current_figure(samples.curve(), samples.coverage("breaker", "fuse")),
    "time-current, no device": lambda: time_current_figure(samples.curve()),
    "history": lambda: history_figure(samples.run()),
    "history, damaged": lambda: history_figure(samples.run("damage")),
    "section": lambda: section_figure(samples.run(), [1800.0, 10800.0]),
    "preview": lambda: preview_figure(samples.section(), CASE, margin=origin_words(samples.run())),
    "opening": lambda: opening_temperature_figure(samples.curve(), samples.coverage("breaker")),
    "devices in series": lambda: series_samples.figure(CASE, origin_words(samples.run())),
    "devices in the loop": lambda: protected_history_figure(protected_samples.found(CASE), origin_words(samples.run())),
}
SOURCE = {"devices in the loop": samples.run, "devices in series": samples.run, "history": samples.run, "section": samples.run, "preview": samples.run, "history, damaged": lambda: samples.run("damage")}


@pytest.fixture(scope="module", params=list(FIGURES))
def drawn(request):
    """Figure and the record it was drawn from."""
    figure = FIGURES[request.param]()
    figure.canvas.draw()
    return figure, SOURCE.get(request.param, samples.curve)()


def test_it_carries_number_title_caption_and_caution(drawn):
    figure, _ = drawn
    words = texts_of(figure)
    assert any(one.startswith("Figure ") and one[7].isdigit() for one in words)
    assert any(one.startswith(CASE) for one in words)
    assert CAUTION_LINE in words
    assert any(len(one) > 90 and one.endswith(".") and one != CAUTION_LINE for one in words), "no caption"


def test_its_margin_carries_run_id_hash_version_and_file(drawn):
    figure, record = drawn
    assert len(record.run_id) == 10
    expected = f"run {record.run_id} sha256 {record.canonical_hash[:16]} ampsoak 0.1.0 kitchen_radial_filled_wall.toml"
    assert expected in texts_of(figure)


def test_its_axes_carry_units(drawn):
    figure, _ = drawn
    named = [axes for axes in figure.axes if axes.get_label() not in ("sheet", "over") and axes.axison]
    assert named
    labels = [label for axes in named for label in (axes.get_xlabel(), axes.get_ylabel()) if label]
    assert labels and all("[" in label and "]" in label for label in labels)


def test_no_words_leave_the_sheet_or_lie_over_other_words_beside_the_axes(drawn):
    figure, _ = drawn
    renderer = figure.canvas.get_renderer()
    width, height = figure.canvas.get_width_height()
    boxes = []
    for text in figure.findobj(matplotlib.text.Text):
        if text.get_text().strip() and text.get_visible():
            box = text.get_window_extent(renderer)
            assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height, text.get_text()
    for text in figure.texts:
        boxes.append((text.get_text(), text.get_window_extent(renderer)))
    for number, (words, box) in enumerate(boxes):
        for other_words, other in boxes[:number]:
            inner = 1.0  # a pixel of slack: boxes include the room above capitals
            apart = (
                box.x1 - inner <= other.x0 or other.x1 - inner <= box.x0
                or box.y1 - inner <= other.y0 or other.y1 - inner <= box.y0
            )
            assert apart, f"{words!r} lies over {other_words!r}"


def test_key_and_words_stay_clear_of_the_axes(drawn):
    """The key stands beside the data, never over it."""
    figure, _ = drawn
    renderer = figure.canvas.get_renderer()
    plots = [axes for axes in figure.axes if axes.get_label() not in ("sheet", "over")]
    for text in figure.texts:
        box = text.get_window_extent(renderer)
        for axes in plots:
            place = axes.get_window_extent(renderer)
            apart = box.x1 <= place.x0 or place.x1 <= box.x0 or box.y1 <= place.y0 + 1 or place.y1 <= box.y0 + 1
            assert apart, text.get_text()


def test_an_unsaved_or_interrupted_result_says_so_in_the_margin():
    unsaved = dataclasses.replace(samples.curve(), canonical_hash="")
    assert any("result not saved, no run id" in words for words in texts_of(time_current_figure(unsaved)))
    broken = dataclasses.replace(samples.run(), complete=False)
    words = texts_of(history_figure(broken))
    assert any("interrupted run" in one for one in words)
    assert any("The run was interrupted" in one for one in words)


def test_names_with_signs_of_mathematics_are_printed_as_written():
    figure = preview_figure(samples.section(), "$100 of cable, 50 % off_by_one {x}")
    figure.canvas.draw()
    assert "$100 of cable, 50 % off_by_one {x}" in texts_of(figure)


def test_the_users_matplotlib_settings_do_not_change_a_figure_and_are_left_alone(tmp_path):
    save_figure(FIGURES["preview"](), tmp_path / "plain")
    with matplotlib.rc_context({"font.size": 30.0, "axes.facecolor": "black", "savefig.dpi": 20}):
        save_figure(FIGURES["preview"](), tmp_path / "changed")
        assert matplotlib.rcParams["font.size"] == 30.0
    for ending in (".png", ".pdf"):
        assert (tmp_path / f"plain{ending}").read_bytes() == (tmp_path / f"changed{ending}").read_bytes()


def test_saving_gives_a_300_dpi_picture_and_a_vector_pdf_with_the_same_bytes_each_time(tmp_path):
    paths = [save_figure(FIGURES["history"](), tmp_path / name) for name in ("a", "b")]
    for first, second in zip(*paths, strict=True):
        assert hashlib.sha256(first.read_bytes()).digest() == hashlib.sha256(second.read_bytes()).digest()
    png, pdf = paths[0]
    with Image.open(png) as picture:
        assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.1)
        assert picture.width == round(210 / 25.4 * 300)
        assert picture.info["Description"].startswith("Figure 2. Temperature history")
    raw = pdf.read_bytes()
    assert raw.startswith(b"%PDF") and b"CreationDate" not in raw and b"/Subtype /Image" not in raw
    assert not list(tmp_path.glob("*.part"))


def test_saving_overwrites_nothing_without_force(tmp_path):
    figure = FIGURES["preview"]()
    (tmp_path / "fig.pdf").write_text("evidence")
    with pytest.raises(FileError, match=r"fig\.pdf: exists already"):
        save_figure(figure, tmp_path / "fig")
    assert (tmp_path / "fig.pdf").read_text() == "evidence" and not (tmp_path / "fig.png").exists()
    save_figure(figure, tmp_path / "fig", force=True)
    assert (tmp_path / "fig.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(FileError, match="does not exist"):
        save_figure(figure, tmp_path / "nowhere" / "fig")


def test_drawing_uses_no_pyplot_state():
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "import report_samples as s\n"
        "from ampsoak.report.figures import time_current_figure\n"
        "time_current_figure(s.curve(), s.coverage()).canvas.draw()\n"
        "print('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_wrapping_keeps_numbers_with_their_units_and_cuts_words_too_long_for_a_line():
    lines = wrapped("the current of 1000 A flows for 45 min", 25.0, 7.5)
    assert all(text_width(line, 7.5) <= 25.0 for line in lines)
    assert any("1000\u00a0A" in line for line in lines) and any("45\u00a0min" in line for line in lines)
    assert "".join(wrapped("x" * 200, 25.0, 7.5)) == "x" * 200


def test_a_section_without_cable_or_with_one_part_is_drawn():
    section = samples.section()
    bare = dataclasses.replace(
        section, part_index=np.zeros_like(section.part_index), part_names=["plate"], part_roles=["other"],
        part_materials=["steel"], outlines=[], part_area_exact=np.array([0.045]), part_area_mesh=np.array([0.045]),
    )
    preview_figure(bare).canvas.draw()
