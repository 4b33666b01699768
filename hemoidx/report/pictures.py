"""The pictures of the report, each with words for those who cannot see it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hemoidx import plot
from hemoidx.plot.style import new_figure, span_style
from hemoidx.report.excerpts import Excerpt, choose_excerpts, rhythm_words
from hemoidx.report.html import Markup, picture, tag
from hemoidx.report.words import at_time, count, how_long, listed

if TYPE_CHECKING:
    from hemoidx.analysis import Analysis


def whole_recording(result: Analysis, begin: float, finish: float) -> list[Markup]:
    """Draw the whole wave and, beneath it, the trends of the windows."""
    figure = new_figure(11, 3.0)
    kinds = listed([span_style(str(kind)).label for kind in dict.fromkeys(result.spans["kind"])])
    made = []
    if result.recording is not None:
        plot.trace(result, ax=figure.subplots(), start=begin, stop=finish, landmarks=False)
        made.append(
            picture(
                plot.png(figure),
                f"The whole recording of {result.channel}, {how_long(finish - begin)}; shaded: "
                f"{kinds or 'none'}.",
                "The whole recording. Where it is long, the line is the envelope of lowest and highest "
                "values, so that no peak is lost. Shaded and named: the marked stretches, explained below.",
            )
        )
    if result.windows[["sbp", "hr"]].notna().to_numpy().any():
        made.append(_trends(result, begin, finish))
    return made


def _trends(result: Analysis, begin: float, finish: float) -> Markup:
    figure = new_figure(11, 4.4)
    upper, lower = figure.subplots(2, 1, height_ratios=[1.5, 1])
    plot.trends(result, ax=upper, limits=(begin, finish), label_time=False)
    plot.trends(result, ("hr",), ax=lower, limits=(begin, finish))
    return picture(
        plot.png(figure),
        "Systolic, mean and diastolic pressure and heart rate of each window over time.",
        "Values of the windows; each bar is as long as its window. A cross or stroke above the time axis "
        "marks a window in which a value is missing.",
    )


def beats_together(result: Analysis) -> list[Markup]:
    """Lay the beats over each other."""
    if result.recording is None or result.beats["end_s"].notna().sum() < 2:
        return []
    figure = new_figure(4.8, 3.6)
    plot.beat_overlay(result, ax=figure.subplots())
    return [
        picture(
            plot.png(figure),
            "Beats laid over each other, aligned at the foot, with their median.",
            "Shape of the beats. Ringing after the upstroke and the notch points to an underdamped line; a "
            "slow, rounded upstroke without a notch points to an overdamped one or to low flow. Neither is "
            "proof.",
            narrow=True,
        )
    ]


def excerpts(result: Analysis, begin: float, finish: float) -> list[Markup]:
    """Draw a clean stretch, then one of each kind of event, as close as the landmarks can be seen."""
    if result.recording is None:
        return [tag("p", "The samples were not at hand when this page was made, so no excerpt can be shown.")]
    return [_excerpt(result, excerpt) for excerpt in choose_excerpts(result, begin, finish)]


def _excerpt(result: Analysis, excerpt: Excerpt) -> Markup:
    figure = new_figure(11, 2.9)
    plot.trace(result, excerpt.start, excerpt.stop, ax=figure.subplots(), landmarks=True)
    what = listed([_shows(name) for name in excerpt.shows])
    onset = result.beats["onset_s"]
    beats = int(((onset >= excerpt.start) & (onset < excerpt.stop)).sum())
    where = f"From {at_time(excerpt.start)}, {how_long(excerpt.stop - excerpt.start)}."
    text = f"{what[0].upper()}{what[1:]}. {where} {count(beats, 'beat')} found."
    return picture(plot.png(figure), text, text)


def _shows(name: str) -> str:
    if name == "clean":
        return "a clean stretch"
    if name in ("ectopic", "alternating", "irregular_rhythm"):
        return rhythm_words(name)
    return span_style(name).label
