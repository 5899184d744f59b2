"""Season limits: use of each limit as bars, and a season's total by week as a fan.

Bars: what is used, the limit as a line, what is expected as a diamond. The first bar names what is
drawn; a legend has the rare signs alone. Fan: what was estimated so far, and what is to come.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.precision import percent
from analytics.units import short_day, tick_day
from analytics.wording.bulletin_index import cut_name
from analytics.wording.numbers import Measurement
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, forest
from dashboard.charts.drawing import hover, label

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.palette import Palette
    from dashboard.charts.drawing import Figure, Trace


#: Pixels of a bar, and characters of a label that stand on one line.
BAR_HEIGHT, LABEL_WIDTH = 54, 22
#: How far the axis runs at least and at most, in limits.
LEAST, MOST = 1.2, 2.5
#: How far below its bar the expected total stands, in bars.
LOWER = 0.33
GAP = ("×", phrase("no figure"))
CUT = ("▶", phrase("extends beyond the axis"))
HUES = {"×": "quiet", "▶": "ink"}
#: Part of the axis that the name of what is expected takes.
ROOM = 0.35
#: How far above its bar the first label stands, in bars.
HIGHER = 0.36


@dataclass(frozen=True, slots=True)
class Bar:
    """One limit: what is limited, a note below it, shares of it, what the pointer shows more."""

    label: str
    note: str
    used: Measurement
    expected: Measurement
    words: str = ""


def signs(bars: Sequence[Bar]) -> list[tuple[str, str]]:
    """Return the rare signs that occur in the figure with their words."""
    found = [GAP] * any(bar.used.value is None for bar in bars)
    every = [forest.point(0, one, "") for bar in bars for one in (bar.used, bar.expected)]
    return found + [CUT] * any(any(drawing.beyond(one, (0.0, axis_end(bars)))) for one in every)


def axis_end(bars: Sequence[Bar]) -> float:
    """Return the end of the axis in limits."""
    ends = [end for bar in bars for one in (bar.used, bar.expected) for end in one.ends]
    return min(max([LEAST, *(1.04 * end for end in ends)]), MOST)


def figure(bars: Sequence[Bar], *, palette: Palette) -> drawing.Figure:
    """Draw limits from top to bottom in the order given; one or more."""
    how: dict[str, Any] = {"ends": (0.0, axis_end(bars)), "down": True}
    said = [hover(bar.label, bar.words) for bar in bars]
    used = [forest.point(at, bar.used, said[at]) for at, bar in enumerate(bars)]
    ahead = [forest.point(at + LOWER, bar.expected, said[at]) for at, bar in enumerate(bars)]
    ink, copper = palette.ink, palette.copper
    bars_of: dict[str, Any] = {"opacity": 1, **how}
    diamond: dict[str, Any] = {"symbol": "diamond-open", "size": 9, "name": "expected", **how}
    known = [one for one in used if one.value is not None]
    block = drawing.trace(
        "bar",
        x=[drawing.clamp(one.value or 0.0, how["ends"]) for one in known],
        y=[one.at for one in known],
        orientation="h",
        width=0.42,
        marker={"color": palette.sea, "opacity": 0.75, "line": {"width": 0}},
        text=[one.words for one in known],
        textposition="none",
        hovertemplate=drawing.HOVER,
        name="used",
    )
    traces = [
        block,
        drawing.intervals(used, colour=ink, width=2.4, name="interval", **bars_of),
        drawing.intervals(ahead, colour=copper, width=1.8, name="expected interval", **bars_of),
        drawing.marks(ahead, colour=copper, **diamond),
        drawing.gaps(used, palette=palette, **how),
        drawing.cuts(used, colour=ink, **how),
        drawing.cuts(ahead, colour=copper, **how),
    ]
    labels = [f"{label(bar.label, LABEL_WIDTH)}<br>{drawing.escape(bar.note)}" for bar in bars]
    height = drawing.line_height(labels, BAR_HEIGHT)
    limit = drawing.across(1.0, colour=ink, width=2.2, dash="solid") | {"layer": "above"}
    return drawing.figure(
        traces,
        palette=palette,
        height=height * len(bars) + 56,
        margin=(8, 18, 22, 26),
        bargap=0.3,
        shapes=[limit],
        annotations=_names(bars, end=how["ends"][1], palette=palette),
        xaxis={"range": list(how["ends"]), "tickformat": ".0%", "nticks": 6},
        yaxis=drawing.lines_down(labels, palette=palette),
        meta=_data(bars),
    )


def _data(bars: Sequence[Bar]) -> str:
    """Return shares of limits as the table that the figure is downloaded with."""
    kinds = ("share_used", "share_expected")
    heads = [f"{kind}{end}" for kind in kinds for end in ("", "_low", "_high")]
    lines = [
        [bar.label, bar.note]
        + [end for one in (bar.used, bar.expected) for end in (one.value, one.low, one.high)]
        for bar in bars
    ]
    return drawing.data(["limit", "note", *heads], lines)


def _names(bars: Sequence[Bar], *, end: float, palette: Palette) -> list[dict[str, Any]]:
    """Return the names of what is drawn, each beside the first of its kind."""
    found = [_name(say("the limit"), palette.ink, xref="x", x=1.0, xanchor="center")]
    used = next((at for at, bar in enumerate(bars) if bar.used.value is not None), None)
    if used is not None:
        place: dict[str, Any] = {"y": used - HIGHER, "yanchor": "middle", "yshift": 0}
        found.append(_name(say("used so far"), palette.sea, yref="y", **place))
    ahead = [(at, bar.expected) for at, bar in enumerate(bars) if bar.expected.value is not None]
    if ahead:
        # Under the first bar whose expected interval begins far enough from the left end.
        at, _ = next((one for one in ahead if min(one[1].ends) > ROOM * end), ahead[0])
        place = {"y": at + LOWER, "yref": "y", "yanchor": "middle", "yshift": 0}
        found.append(_name(say("◇ expected"), palette.copper, **place))
    return found


def _name(words: str, colour: str, **place: Any) -> dict[str, Any]:
    """Return a name as large as the labels, which can be read on paper."""
    return drawing.note(words, colour=colour, font={"size": 12}, **place)


def description(bars: Sequence[Bar]) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    parts = []
    for bar in bars:
        known = {"limit": bar.label, "used": bar.used.figure(), "expected": bar.expected.figure()}
        if bar.used.value is None:
            parts.append(say("{limit}: no figure", **known))
        elif bar.expected.value is None:
            parts.append(say("{limit}: {used} used", **known))
        else:
            parts.append(say("{limit}: {used} used, {expected} expected", **known))
    return say("Use of each limit. {limits}.", limits="; ".join(parts))


Line = dict[str, Any]

HEIGHT = 330
#: Bands from wide to narrow: their quantiles, their depth, their words.
BANDS = (("q025", "q975", 0.13, "95 %"), ("q10", "q90", 0.2, "80 %"), ("q25", "q75", 0.3, "50 %"))
#: Ends of those bands over the ends of the widest one, as a normal curve has them.
_PARTS = (1.0, 1.2816 / 1.96, 0.6745 / 1.96)
#: Below so many fish every tick of the axis is a whole one.
FEW = 5
#: What the bands hold.
MEANING = phrase(
    "Bands hold 50, 80 and 95 of 100 projections; the dotted line is their median. The number "
    "expected is their mean, which a few high projections raise above it."
)
#: Characters of a name beside its line.
NAME_WIDTH = 26


@dataclass(frozen=True, slots=True)
class Fan:
    """What the figure shows.

    `lines` have, by day, ``day``, ``week``, ``is_projected``, ``estimate`` and the quantiles; `now`
    is the total so far, `close` the planned close, `beside` the middle of today's fan by day where
    this is another, `unit` that of the axis in words, `name` what the fan is called.
    """

    lines: tuple[Line, ...]
    limit_fish: float
    now: Measurement
    close: date | None
    beside: tuple[tuple[date, float], ...] = ()
    unit: str = "fish"
    name: str = "projected"

    @property
    def past(self) -> tuple[Line, ...]:
        """Weeks so far that have an estimate."""
        return tuple(
            one for one in self.lines if not one["is_projected"] and one["estimate"] is not None
        )

    @property
    def ahead(self) -> tuple[Line, ...]:
        """Weeks to come."""
        return tuple(one for one in self.lines if one["is_projected"] and one["q50"] is not None)

    @property
    def top(self) -> float:
        """Top of the axis: the limit and every figure stand below it, wide ends as room lets."""
        values = [one["estimate"] for one in self.past] + [one["q90"] for one in self.ahead]
        values += [value for _, value in self.beside]
        most = max([self.limit_fish, *values]) or 1.0
        ends = [self.now.high or 0.0, *(one["q975"] for one in self.ahead)]
        return 1.08 * max(most, min(max(ends), 1.5 * most))


def fan_finding(fan: Fan) -> str:
    """Return what the figure shows, in a few words."""
    if not fan.ahead:
        last = fan.past[-1] if fan.past else None
        return "" if last is None else f"{_said(last['estimate'])}{_share(fan, last['estimate'])}"
    end = fan.ahead[-1]
    shown = Measurement(end["estimate"], end["q025"], end["q975"]).words
    known = {"fish": shown, "day": short_day(end["day"]), "share": _share(fan, end["estimate"])}
    if fan.beside:
        return say("{fish} expected by {day} under {option}{share}", option=fan.name, **known)
    return say("{fish} expected by {day}{share}", **known)


def season_fan(fan: Fan, *, palette: Palette) -> Figure:
    """Draw a fan; its lines are one or more."""
    traces = [_band(fan, *one[:3], palette=palette) for one in BANDS if fan.ahead]
    traces += _curves(fan, palette=palette)
    days = _ticks(fan.lines)
    return drawing.figure(
        traces,
        palette=palette,
        height=HEIGHT,
        margin=(62, 14, 24, 26),
        shapes=_lines(fan, palette=palette),
        annotations=[_number(fan, palette=palette), *_fan_names(fan, palette=palette)],
        xaxis=drawing.axis(
            type="date",
            tickvals=[day.isoformat() for day in days],
            ticktext=[tick_day(day) for day in days],
            showgrid=False,
            tickangle=0,
        ),
        yaxis=drawing.axis(fan.unit, range=[0, fan.top], nticks=6, tickformat=",.0f")
        | ({"dtick": 1} if fan.top < FEW else {}),
        meta=_fan_data(fan),
    )


def _fan_data(fan: Fan) -> str:
    """Return the weeks of a fan as the table that the figure is downloaded with."""
    ends = [end for low, high, *_ in BANDS for end in (low, high)]
    names = ["week", "is_projected", "estimate", "q50", *ends]
    beside = dict(fan.beside)
    lines = [
        [line["day"].isoformat(), *(line.get(name) for name in names), fan.limit_fish]
        + ([beside.get(line["day"])] if beside else [])
        for line in fan.lines
    ]
    return drawing.data(["day", *names, "limit", *(["q50_today"] if beside else [])], lines)


def fan_description(fan: Fan, *, of: str) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    words = say(
        "{of} by week against a limit of {limit_fish:,.0f}", of=of, limit_fish=fan.limit_fish
    )
    if fan.past:
        last = fan.past[-1]
        fish, day = _said(last["estimate"]), short_day(last["day"])
        words += say(": {fish} by {day}", fish=fish, day=day)
    if fan.ahead:
        end = fan.ahead[-1]
        words += say(
            "; by {day} {median} at the median, {low} to {high} in 80 of 100 cases",
            day=short_day(end["day"]),
            median=_said(end["q50"]),
            low=_said(end["q10"]),
            high=_said(end["q90"]),
        )
    return f"{words}."


def _start(fan: Fan) -> tuple[Line, ...]:
    """Return the last week so far: the fan opens there, as wide as the total so far is unsure."""
    if not fan.past:
        return ()
    last = fan.past[-1]
    if last.get("q50") is not None:
        return (last,)
    middle, low, high = last["estimate"], fan.now.low, fan.now.high
    if low is None or high is None:
        low = high = middle
    ends = {
        name: middle + part * (end - middle)
        for names, part in zip(BANDS, _PARTS, strict=True)
        for name, end in ((names[0], low), (names[1], high))
    }
    return (last | ends,)


def _band(fan: Fan, low: str, high: str, depth: float, *, palette: Palette) -> Trace:
    lines = [*_start(fan), *fan.ahead]
    run = [(one["day"].isoformat(), one[low], min(one[high], fan.top)) for one in lines]
    if len(run) > 1:
        return drawing.band([run], colour=palette.copper, opacity=depth, name="band")
    # One week alone has no area: a bar stands for it.
    ((day, *ends),) = run
    return drawing.line([day, day], ends, colour=palette.copper, width=12, opacity=depth)


def _curves(fan: Fan, *, palette: Palette) -> list[Trace]:
    """Draw the medians ahead, the interval of the total so far as a bar, the weeks so far."""
    past, ahead, low, high = fan.past, fan.ahead, fan.now.low, fan.now.high
    start = [(one["day"], one["estimate"]) for one in past[-1:]]
    found = []
    if fan.beside:
        points = [*start, *fan.beside]
        words = [say("today's rule: {fish:,.0f}", fish=value) for _, value in points]
        how: dict[str, Any] = {"dash": "dash", "width": 2.0, "name": "beside"}
        found.append(_curve(points, colour=palette.sea, words=words, **how))
    first = start if ahead else []
    found.append(
        _curve(
            [*first, *((one["day"], one["q50"]) for one in ahead)],
            colour=palette.copper,
            words=["" for _ in first] + [_ahead_words(fan, one) for one in ahead],
            sizes=[0.1] * len(first) + [5] * len(ahead),
            dash="dot",
            width=2.0,
            name="ahead",
        )
    )
    bar = []
    if past and low is not None and high is not None:
        bar = [(past[-1]["day"], end) for end in (low, min(high, fan.top))]
    found.append(_curve(bar, colour=palette.sea, width=4, opacity=0.5, name="now"))
    points = [(one["day"], one["estimate"]) for one in past]
    words = [
        f"<b>{one['week']}</b><br>{_said(one['estimate'])}{_share(fan, one['estimate'])}"
        for one in past
    ]
    how = {"words": words, "sizes": 6, "cliponaxis": False, "name": "past"}
    return [*found, _curve(points, colour=palette.sea, **how)]


def _curve(
    points: Sequence[tuple[date, float]],
    *,
    colour: str,
    sizes: float | Sequence[float] | None = None,
    **how: Any,
) -> Trace:
    """Draw values by day as a line, with points of some sizes if given."""
    if sizes is not None:
        how |= {"mode": "lines+markers", "marker": {"size": sizes, "color": colour}}
    days = [day.isoformat() for day, _ in points]
    return drawing.line(days, [value for _, value in points], colour=colour, **how)


def _ahead_words(fan: Fan, one: Line) -> str:
    spans = (
        f"{words}: {_said(one[low])}–{_said(one[high])}" for low, high, _, words in reversed(BANDS)
    )
    middle = say("median {fish}{share}", fish=_said(one["q50"]), share=_share(fan, one["q50"]))
    head = say("<b>{week}</b>, by {day}", week=one["week"], day=short_day(one["day"]))
    return "<br>".join([head, middle, *spans])


def _share(fan: Fan, value: float) -> str:
    if not fan.limit_fish:
        return ""
    return say(", {share} of the limit", share=percent(value / fan.limit_fish))


def _said(value: float) -> str:
    return Measurement(value).words


def _ticks(lines: Sequence[Line]) -> list[date]:
    """Return the first days of months, or every day of a line where few months begin."""
    first = [one["day"] for one in lines if one["day"].day <= 7]
    found = first if len(first) > 1 else [one["day"] for one in lines]
    found = [day.replace(day=1) for day in found] if found is first else found
    return found[:: max(1, -(-len(found) // 6))]


def _lines(fan: Fan, *, palette: Palette) -> list[dict[str, Any]]:
    """Return the line of the limit, and that of the planned close where it is to come."""
    limit = {"xref": "paper", "x0": 0, "x1": 1, "y0": fan.limit_fish, "y1": fan.limit_fish}
    found = [limit | {"type": "line", "line": {"width": 2.2, "color": palette.ink}}]
    if fan.ahead and fan.close:
        found.append(drawing.across(fan.close.isoformat(), colour=palette.quiet))
    return found


def _number(fan: Fan, *, palette: Palette) -> dict[str, Any]:
    """Return the limit in figures, above the start of its line; below it where no room is left."""
    is_high = fan.limit_fish > 0.9 * fan.top
    place = {"x": 0.01, "y": fan.limit_fish, "yref": "y", "yshift": 0}
    place |= {"yanchor": "top" if is_high else "bottom", "font": {"size": 12, "color": palette.ink}}
    return drawing.note(say("limit {fish:,.10g}", fish=fan.limit_fish), colour=palette.ink, **place)


def _fan_names(fan: Fan, *, palette: Palette) -> list[dict[str, Any]]:
    """Return the names of the lines, each beside its own."""
    found = []
    if fan.past:
        one = fan.past[2 * len(fan.past) // 3]
        place = _beside(one["day"], one["estimate"], is_above=True)
        found.append(drawing.note(say("so far"), colour=palette.sea, **place))
    if not fan.ahead:
        return found
    if fan.close:
        place = {"xref": "x", "x": fan.close.isoformat(), "xanchor": "right"}
        words = say("planned close {day}", day=short_day(fan.close))
        found.append(drawing.note(words, colour=palette.quiet, **place))
    end = fan.ahead[-1]
    has_lower = bool(fan.beside) and fan.beside[-1][1] < end["q50"]
    is_above = has_lower or end["q025"] < 0.15 * fan.top
    edge = min(end["q975" if is_above else "q025"], fan.top)
    # Above a band that fills the figure stands the planned close: the name goes into the band.
    place = _beside(end["day"], edge, is_above=is_above and edge < 0.95 * fan.top)
    name = drawing.escape(cut_name(fan.name, NAME_WIDTH))
    found.append(drawing.note(name, colour=palette.copper, **place))
    if fan.beside:
        place = _beside(*fan.beside[-1], is_above=not has_lower)
        found.append(drawing.note(say("today's rules"), colour=palette.sea, **place))
    return found


def _beside(day: date, value: float, *, is_above: bool) -> dict[str, Any]:
    """Return a place left of a point, above or below it."""
    place = {"xref": "x", "yref": "y", "x": day.isoformat(), "y": value, "xanchor": "right"}
    return place | {"yanchor": "bottom" if is_above else "top", "xshift": -4, "yshift": 0}
