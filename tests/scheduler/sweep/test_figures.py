"""Figures of a sweep: what they show, that they are fit for a paper, and that no name or number spoils them.

Widths of one and two columns and text of 8 pt: common practice of journals.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import xml.etree.ElementTree as ElementTree
from itertools import pairwise
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from models.wear.laws import WEAR_LAWS
from scheduler.render.palette import law_colour
from scheduler.sweep.figure_style import STYLES, paper, spread, wrapped
from scheduler.sweep.figures import figure_bytes, figures_of, sweep_figures
from scheduler.sweep.frontier import frontiers_of
from scheduler.textio.errors import InputFaults
from tests.builders.sweep_runs import made_up_runs

ODD_NAMES = ("Über & <Tarif> $x_1$ 50% \\frac{a}", "_hidden " + "long name " * 12, "Line\nbreak \x07bell", "夜間")
CASES = {
    "usual": made_up_runs(("Dusk tariff", "Noon tariff"), settings=(0, 2)),
    "one group": made_up_runs(),
    "one weight": made_up_runs(weights=(1.0,)),
    "never discharges": made_up_runs(gives=False),
    "money the same": made_up_runs(currency_scale=0.0),
    "ten groups": made_up_runs([f"Offer {number}" for number in range(10)]),
    "odd names": made_up_runs(ODD_NAMES, currency_scale=30_000),
    "no references": made_up_runs().query("policy == 'plan'"),
    "many weights": made_up_runs(weights=np.linspace(0, 3, 301).tolist()),
}


def instant_text(content: bytes) -> list[str]:
    """The text of an SVG."""
    found = ElementTree.fromstring(content).iter("{http://www.w3.org/2000/svg}text")
    return ["".join(each.itertext()).strip() for each in found]


def overhang_inches(figure: Figure) -> float:
    """How far what is drawn reaches beyond the figure's edge at most."""
    with paper():
        figure.draw_without_rendering()
        drawn = figure.get_tightbbox()
    width, height = figure.get_size_inches()
    return float(max(-drawn.x0, -drawn.y0, drawn.x1 - width, drawn.y1 - height))


@pytest.mark.parametrize(
    ("case", "wide"),
    [*((case, False) for case in CASES), *((case, True) for case in ("usual", "ten groups", "odd names"))],
)
def test_each_figure_is_whole_in_svg_and_png(case: str, wide: bool) -> None:
    """Well-formed SVG with text as text and no mark that is not a number; PNG of 300 dots an inch; nothing clipped."""
    for figure in sweep_figures(CASES[case], "JPY", wide).values():
        assert figure.get_size_inches()[0] == (7.2 if wide else 3.5)
        svg, png = figure_bytes(figure, "svg"), figure_bytes(figure, "png")
        assert instant_text(svg)
        assert b"nan" not in svg.lower().split(b"<svg", 1)[1]
        width, height = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))  # PNG, IHDR (W3C, 2003)
        assert width == round(300 * figure.get_size_inches()[0])
        assert height == pytest.approx(300 * figure.get_size_inches()[1], abs=1)
        assert overhang_inches(figure) < 0.01


def test_text_is_8_points_and_axes_have_units() -> None:
    """And no figure has a title inside."""
    named = {
        name: [word for axes in figure.axes for word in (axes.get_xlabel(), axes.get_ylabel())]
        for name, figure in sweep_figures(CASES["usual"], "EUR").items()
    }
    assert named["frontier"] == ["Life used × 20 %, a year (%)", "Cash saved a year (EUR)"]
    assert [word.replace("\n", " ") for word in named["weight"] if word] == [
        "Discharged in 14 days (kWh)",
        "Life used × 20 %, a year (%)",
        "Wear weight (axis not to scale)",
        "Total saved a year (EUR)",
    ]
    assert named["laws"] == ["Wear weight (axis not to scale)", "Life used × 20 %, a year (%)"]
    for figure in sweep_figures(CASES["usual"], "EUR").values():
        assert all(axes.get_title() == "" for axes in figure.axes)
        assert {axes.yaxis.label.get_fontsize() for axes in figure.axes} == {8.0}


def test_the_frontier_is_drawn_where_the_runs_have_it() -> None:
    """Its line goes through the efficient points; ring, square and cross are the knee, weight 1 and only charged."""
    runs = made_up_runs()
    (group,) = frontiers_of(runs)
    lines = sweep_figures(runs, "EUR")["frontier"].axes[0].lines
    at = {line.get_marker(): tuple(np.transpose(line.get_data()).tolist()[0]) for line in lines[2:]}
    assert lines[0].get_xydata().tolist() == [[each.capacity_lost, each.cash_saved] for each in group.efficient]
    for marker, point in (("o", group.knee), ("s", group.one), ("x", group.charge_only)):
        assert point is not None
        assert at[marker] == (point.capacity_lost, point.cash_saved)


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize("weights", [(0.0, 0.5, 1.0, 2.0, 5.0, 10.0), (0.0, 0.05, 1.0, 1.1, 3.0), (0.5, 0.52, 0.54)])
def test_a_weight_stands_on_the_side_of_its_own_point(weights: tuple[float, ...], wide: bool) -> None:
    """Of all points, the one that a weight is written for is the nearest, no weight is written twice or on another, and
    the curve goes through none."""
    figure = sweep_figures(made_up_runs(weights=weights), "EUR", wide)["frontier"]
    (group,) = frontiers_of(made_up_runs(weights=weights))
    axes = figure.axes[0]
    with paper():
        figure.draw_without_rendering()
        rooms = {text.get_text().removeprefix("weight "): text.get_window_extent() for text in axes.texts}
    assert len(rooms) == len(axes.texts) > 0
    places = {
        f"{each.weight:g}": axes.transData.transform((each.capacity_lost, each.cash_saved)) for each in group.points
    }
    for weight, room in rooms.items():
        clear = {
            other: np.hypot(
                max(room.x0 - x, 0, x - room.x1),
                max(room.y0 - y, 0, y - room.y1),
            )
            for other, (x, y) in places.items()
        }
        assert clear[weight] <= min(clear.values()) + 0.2
        assert room.count_overlaps([each for other, each in rooms.items() if other != weight]) == 0


def test_a_wear_law_has_one_colour_in_every_figure() -> None:
    """That of a group which it priced, alone or not, and that of its line in the figure of the laws."""
    runs = pd.concat([made_up_runs().assign(law=law) for law in ("nmc", "depth")], ignore_index=True)
    figures = sweep_figures(runs, "EUR")
    wanted = [law_colour("nmc"), law_colour("depth")]
    groups = [line.get_color() for line in figures["weight"].axes[0].lines if len(line.get_xdata()) > 1]
    assert groups[:2] == wanted
    laws = [line.get_color() for line in figures["laws"].axes[0].lines]
    assert laws == [law_colour(law) for law in WEAR_LAWS]
    alone = sweep_figures(made_up_runs(), "EUR")["weight"].axes[0].lines[0]
    assert alone.get_color() == law_colour("depth")


def test_an_axis_that_is_not_to_scale_says_so() -> None:
    """Weights that spread far are not drawn to scale, those that do not are."""
    for weights, said in (((0.0, 0.5, 1.0, 10.0), "Wear weight (axis not to scale)"), ((0.0, 0.5, 1.0), "Wear weight")):
        figures = sweep_figures(made_up_runs(weights=weights), "EUR")
        assert [figures[name].axes[-1].get_xlabel() for name in ("weight", "laws")] == [said, said]


def test_a_ring_is_where_discharging_stops_and_a_line_at_weight_1() -> None:
    """The made-up runs give nothing from weight 10 on."""
    panels = sweep_figures(made_up_runs(), "EUR")["weight"].axes
    ring = [line for line in panels[0].lines if line.get_markerfacecolor() == "none"]
    assert [line.get_xydata().tolist() for line in ring] == [[[10.0, 0.0]]]
    assert all(any(list(line.get_xdata()) == [1.0, 1.0] for line in panel.lines) for panel in panels)
    without = sweep_figures(made_up_runs(weights=(0.0, 2.0)), "EUR")["weight"].axes
    assert not any(list(line.get_xdata()) == [1.0, 1.0] for panel in without for line in panel.lines)


def test_names_are_read_as_names_and_more_groups_than_fit_are_told_of() -> None:
    """No mathematics, no name left out; SVG text is what the offer is called."""
    words = instant_text(figure_bytes(sweep_figures(CASES["odd names"], "JPY")["frontier"], "svg"))
    assert ODD_NAMES[0] in words
    assert "夜間" in words
    assert any(word.startswith("_hidden long name") for word in words)
    assert "Line break  bell" in words or "Line break bell" in words
    told = instant_text(figure_bytes(sweep_figures(CASES["ten groups"], "EUR")["weight"], "svg"))
    assert "The first 8 of 10 groups" in told
    assert "Offer 7" in told
    assert "Offer 8" not in told


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_the_same_input_gives_the_same_bytes_whatever_the_caller_s_settings(kind: str) -> None:
    """In a notebook with other settings, and in several threads; the settings are as before afterwards."""
    runs = CASES["usual"]
    first = {name: figure_bytes(figure, kind) for name, figure in sweep_figures(runs, "EUR").items()}  # type: ignore[arg-type]
    found: list[dict[str, bytes]] = []

    def make() -> None:
        made = sweep_figures(runs.sample(frac=1, random_state=3), "EUR")
        found.append({name: figure_bytes(figure, kind) for name, figure in made.items()})  # type: ignore[arg-type]

    with matplotlib.rc_context({"font.size": 20, "svg.fonttype": "path", "axes.facecolor": "red"}):
        threads = [threading.Thread(target=make) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert matplotlib.rcParams["font.size"] == 20
    assert found == [first] * 2


def test_lines_are_told_apart_without_colour() -> None:
    """Every group has a marker and dashes of its own, and a colour at least 3 to 1 against white.

    Source: WCAG 2.2, 1.4.11 and the definition of relative luminance.
    """
    assert len({style.marker for style in STYLES}) == len({style.dashes for style in STYLES}) == len(STYLES)
    for style in STYLES:
        channels = [int(style.color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        luminance = float(np.dot(linear, (0.2126, 0.7152, 0.0722)))
        assert 1.05 / (luminance + 0.05) >= 3


def test_labels_at_line_ends_keep_their_order_and_do_not_touch() -> None:
    """Wanted at the same height, over the top, or more than fit."""
    for wanted, height in (([50, 50, 50], 100), ([98, 99, 3], 100), ([5, 5, 5, 5, 5, 5], 40)):
        middles = spread([float(each) for each in wanted], [10.0] * len(wanted), float(height))
        inside = max(height, 10 * len(wanted))
        ordered = sorted(middles)
        assert all(after - before >= 10 - 1e-9 for before, after in pairwise(ordered))
        assert min(middles) >= 5 - 1e-9
        assert max(middles) <= inside - 5 + 1e-9
        assert [middles[at] for at in sorted(range(len(wanted)), key=lambda at: wanted[at])] == ordered


def test_a_long_name_is_cut_to_two_lines() -> None:
    """With a mark that it goes on."""
    assert wrapped("word " * 40, 20).count("\n") == 1
    assert wrapped("word " * 40, 20).endswith("…")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The two tidy files that figures are made of, and nothing else."""
    CASES["usual"].to_csv(tmp_path / "runs.csv", index=False)
    (tmp_path / "manifest.json").write_text(json.dumps({"format": 1, "currency": "EUR"}), encoding="utf-8")
    return tmp_path


def test_figures_come_from_the_tidy_files_alone(folder: Path) -> None:
    """The same bytes as from the table that was written, to the last digit."""
    direct = sweep_figures(CASES["usual"], "EUR")
    read = figures_of(folder)
    assert {name: figure_bytes(figure, "svg") for name, figure in read.items()} == {
        name: figure_bytes(figure, "svg") for name, figure in direct.items()
    }


def test_an_offer_may_be_called_na(folder: Path) -> None:
    """A name that readers of tables take for nothing."""
    made_up_runs(("NA", "null")).to_csv(folder / "runs.csv", index=False)
    words = instant_text(figure_bytes(figures_of(folder)["frontier"], "svg"))
    assert {"NA", "null"} <= set(words)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("runs.csv", None, "runs.csv: there is no such file"),
        ("runs.csv", "", "runs.csv: the file is empty"),
        ("runs.csv", "a,b\n1,2\n", "runs.csv: missing: policy, offer, law"),
        ("runs.csv", 'a,b\n"1,2\n', "runs.csv: this is not a comma-separated table"),
        ("manifest.json", None, "manifest.json: there is no such file"),
        ("manifest.json", "{\n", "manifest.json line 2: this is not valid JSON"),
        ("manifest.json", "[]", "manifest.json: this is not the manifest of a sweep"),
        ("manifest.json", '{"format": 2}', "manifest.json, format: found 2; expected 1"),
        ("manifest.json", '{"format": 1, "currency": "$"}', "currency: found"),
    ],
)
def test_a_folder_of_something_else_is_refused(folder: Path, name: str, content: str | None, said: str) -> None:
    """One clear message that names the file."""
    if content is None:
        (folder / name).unlink()
    else:
        (folder / name).write_text(content, encoding="utf-8")
    with pytest.raises(InputFaults) as caught:
        figures_of(folder)
    assert said in str(caught.value)
    assert len(caught.value.faults) == 1


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """With what is wanted."""
    with pytest.raises(InputFaults, match="there is no such folder; expected the output folder of a sweep"):
        figures_of(tmp_path / "nowhere")


def test_a_broken_number_names_the_file_and_the_run(folder: Path) -> None:
    """A word where a number belongs."""
    table = pd.read_csv(folder / "runs.csv", dtype=str)
    table.loc[3, "cash_saved_a_year"] = "much"
    table.to_csv(folder / "runs.csv", index=False)
    with pytest.raises(InputFaults, match=r'runs\.csv, cash_saved_a_year: found "much" in run'):
        figures_of(folder)


def test_planning_a_night_loads_no_plotting_library() -> None:
    """Of the modules that figures live in, none is imported by those that `overnight plan` runs."""
    modules = "scheduler.cli.app, scheduler.plans.plan_tonight, scheduler.plan_output.write_plan"
    code = f"import sys, {modules}; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
