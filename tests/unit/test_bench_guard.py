"""The bench's guard: what it compares, what it names, and when it fails."""

import json
import math
from contextlib import nullcontext

import pytest

from tests.bench import __main__ as bench
from tests.bench import figures, guard
from tests.bench.guard import FAILS, Ratio, Verdict, compare
from tests.bench.runs import Part, Run, in_turns

DAY = "2031-02-03"
OWN = "steps: own, processor"


def ratio(number, *, sizes="1,000 interviews"):
    return Ratio(number, DAY, sizes)


def part(times, *, peak=math.nan, name="steps", baseline=(1.0, 1.0, 1.0)):
    runs = {
        "baseline": [Run(9.0, one, 100.0) for one in baseline],
        "own": [Run(1.0, one, peak) for one in times],
    }
    return Part(name, "1,000 interviews", runs, own=("own",))


@pytest.mark.parametrize(
    ("times", "verdict"),
    [
        (1.0, Verdict.SAME),
        (1.2, Verdict.SAME),
        (1.4, Verdict.WORSE),
        (1 / 1.2, Verdict.SAME),
        (1 / 1.4, Verdict.BETTER),
    ],
)
def test_a_ratio_is_compared_with_the_one_kept(times, verdict):
    (found,) = compare({OWN: ratio(2.5 * times)}, {OWN: ratio(2.5)})
    assert found.verdict is verdict
    assert (found.verdict in FAILS) == (times == 1.4)
    assert str(found).startswith(f"{verdict}: {OWN}: ")


def test_a_missing_or_new_ratio_is_named():
    gone, fresh = compare({"b": ratio(1.0)}, {"a": ratio(1.0)})
    assert (gone.name, gone.verdict, fresh.name, fresh.verdict) == (
        "a",
        Verdict.MISSING,
        "b",
        Verdict.NEW,
    )
    assert "a" in str(gone) and DAY in str(gone)
    assert "b" in str(fresh)
    assert gone.verdict in FAILS
    assert fresh.verdict not in FAILS


def test_ratios_of_other_sizes_are_not_compared():
    (found,) = compare({"a": ratio(1.0)}, {"a": ratio(1.0, sizes="2,000 interviews")})
    assert found.verdict is Verdict.OTHER_SIZES
    assert found.verdict in FAILS
    assert "2,000" in str(found)


class TestRatios:
    def test_a_ratio_is_the_median_over_turns_and_load_on_a_turn_meets_both(self):
        found = part((2.0, 8.0, 2.1), baseline=(1.0, 4.0, 1.0))
        assert found.ratio("own", "processor") == pytest.approx(2.0)

    def test_wall_seconds_are_not_compared_nor_what_was_not_measured(self):
        assert part((2.0, 2.0, 2.0)).ratios() == {OWN: 2.0}
        of_memory = part((2.0, 2.0, 2.0), peak=150.0).ratios()
        assert of_memory == {OWN: 2.0, "steps: own, peak": 1.5}

    def test_steps_take_turns(self):
        order = []

        def step(name):
            return lambda turn: order.append((name, turn)) or Run(1.0, 1.0)

        in_turns({"a": step("a"), "b": step("b")}, turns=2)
        assert order == [("a", 0), ("b", 0), ("a", 1), ("b", 1)]


@pytest.fixture
def kept(monkeypatch, tmp_path):
    """A file of kept ratios, with 2.0 for the one of `part`."""
    monkeypatch.setattr(guard, "KEPT", tmp_path / "ratios.json")
    guard.write_kept("small", ["steps"], {OWN: ratio(2.0)})


@pytest.mark.usefixtures("kept")
class TestCheck:
    def verdicts(self, first, again):
        measured = {"steps": [part([first] * 3)]}
        findings = bench.check(measured, "small", DAY, lambda _: [part([again] * 3)])
        return [one.verdict for one in findings]

    def test_a_ratio_worse_once_and_not_again_passes(self):
        assert self.verdicts(2.8, 2.1) == [Verdict.SAME]

    def test_a_ratio_worse_twice_fails(self):
        assert self.verdicts(2.8, 2.9) == [Verdict.WORSE]

    @pytest.mark.parametrize(("own", "fails"), [(2.4, False), (2.8, True)])
    def test_the_command_fails_on_a_worse_ratio(self, own, fails, monkeypatch, capsys):
        monkeypatch.setattr(bench, "measure", lambda *_: [part([own] * 3)])
        monkeypatch.setattr("sys.argv", ["bench", "--check", "--only", "steps"])
        with pytest.raises(SystemExit) if fails else nullcontext() as failed:
            bench.main()
        assert not fails or failed.value.code not in (None, 0)
        assert f"{Verdict.WORSE if fails else Verdict.SAME}: {OWN}" in capsys.readouterr().out

    def test_the_command_keeps_what_it_found(self, monkeypatch):
        monkeypatch.setattr(bench, "measure", lambda *_: [part([2.8] * 3)])
        monkeypatch.setattr("sys.argv", ["bench", "--keep", "--only", "steps"])
        bench.main()
        assert guard.read_kept("small", ["steps"])[OWN].ratio == 2.8


@pytest.mark.usefixtures("kept")
def test_only_the_sections_of_a_run_are_replaced():
    guard.write_kept("small", ["models"], {"models: own, peak": ratio(0.123456)})
    guard.write_kept("large", ["steps"], {"steps, 9: own, peak": ratio(3.0)})
    guard.write_kept("small", ["steps"], {"steps, 9: own, peak": ratio(2.0)})
    assert guard.read_kept("small", ["steps", "models"]) == {
        "models: own, peak": ratio(0.1235),
        "steps, 9: own, peak": ratio(2.0),
    }
    assert guard.read_kept("small", ["models"]).keys() == {"models: own, peak"}
    assert guard.read_kept("large", ["steps"])["steps, 9: own, peak"].ratio == 3.0


def test_every_kept_ratio_is_of_a_section_and_dated():
    for size, kept in json.loads(guard.KEPT.read_text()).items():
        assert {guard.section_of(name) for name in kept} == set(bench.SECTIONS[size])
        assert all(one["date"] and one["sizes"] and one["ratio"] > 0 for one in kept.values())


class TestFigures:
    def test_tables_stand_between_their_markers(self, monkeypatch, tmp_path):
        path = tmp_path / "README.md"
        monkeypatch.setattr(figures, "README", path)
        path.write_text("before\n<!-- a: begin -->\nold\n<!-- a: end -->\nafter\n")
        figures.put("a", "new")
        assert path.read_text() == "before\n<!-- a: begin -->\nnew\n<!-- a: end -->\nafter\n"
        with pytest.raises(ValueError, match="b"):
            figures.put("b", "new")

    def test_the_readme_has_a_place_for_every_section(self):
        text = figures.README.read_text()
        for name in bench.SECTIONS["large"]:
            assert text.index(f"<!-- {name}: begin -->") < text.index(f"<!-- {name}: end -->")

    def test_a_section_says_load_date_and_versions(self):
        text = figures.section([part((2.0, 2.0, 2.0))], date=DAY, load_before="0.5 of 2 cores")
        for said in (DAY, "0.5 of 2 cores", "Python", "duckdb", "| own | 2 | 2 |"):
            assert said in text
