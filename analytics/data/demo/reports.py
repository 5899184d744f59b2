"""What crews tell at the ramp: too many releases, large counts in fives, sizes forgotten."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.data.demo.catch import Catch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.demo.places import Habits


def simulate_reports(habits: Habits, true: Catch, rng: np.random.Generator) -> Catch:
    """Return what each crew would tell.

    Kept fish are seen by the sampler and are true; hours are told to the half hour; releases are
    told with some added, and large counts are heaped on multiples of five. That told releases run
    high is published (Sullivan 2003); how much they do here is chosen for the demo.
    """
    legal = _told(habits, true.legal, rng)
    sublegal = _told(habits, true.sublegal, rng)
    unsure = rng.random(len(legal)) < habits.unsure_prop
    legal_lost = np.where(unsure, rng.binomial(legal, 0.5), 0)
    sublegal_lost = np.where(unsure, rng.binomial(sublegal, 0.5), 0)
    legal_left, sublegal_left = legal - legal_lost, sublegal - sublegal_lost
    return Catch(
        hours=np.round(true.hours * 2) / 2,
        kept=true.kept,
        legal=legal_left,
        sublegal=sublegal_left,
        unknown=legal_lost + sublegal_lost,
        kept_marked=true.kept_marked,
        legal_marked=_marked(legal_left, true.legal_marked, true.legal, rng),
        sublegal_marked=_marked(sublegal_left, true.sublegal_marked, true.sublegal, rng),
    )


def _told(habits: Habits, count: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    told = count + rng.binomial(count, habits.over_report_prop)
    rounds = (told >= habits.heap_from) & (rng.random(len(told)) < habits.heap_prop)
    return np.where(rounds, 5 * ((told + 2) // 5), told)


def _marked(
    told: NDArray[np.int64],
    marked: NDArray[np.int64],
    of: NDArray[np.int64],
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Return the marked fish told among `told`: in the true proportion, at most `told`."""
    prop = marked / np.maximum(of, 1)
    more = marked + rng.binomial(np.maximum(told - of, 0), prop)
    return np.where(told >= of, more, rng.binomial(told, prop))
