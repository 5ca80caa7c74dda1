"""Move the hand-made weights of the causes towards the tuning set, and print them: ``python -m tests.benchmarks.fit_causes``.

Maximum a posteriori: softmax likelihood of the true cause, a normal prior of standard deviation 1 around the weights that physics
suggested (those in the file), signs kept, zero weights left at zero. One scenario counts once, however many
intervals and probe sets show it. Only the tuning set is read; never the holding set.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize

from coldchain_kit import causes
from coldchain_kit.causes import clues, evidence
from tests.benchmarks import labelled

PROBE_SETS = (("A", "B", "room"), ("A",), ("A", "room"), ("A", "B"), ("B",))
MOST = 6.0
ABSENCE = 1.5  # what a clue answered "no" may speak for a cause: absence of one cause's mark is weak evidence of another
# Not fitted: how often rooms are hot is no matter of simulation, and every simulated defrost ran by its clock.
FIXED = ("room_unknown", "on_clock", "recurrent")


def samples(cases, *, intervals=(1, 5, 15), probe_sets=PROBE_SETS) -> list[tuple[str, str, dict[str, float]]]:
    """(true cause, direction, clue leans) of every way to look at every case."""
    found = []
    for number, case in enumerate(cases):
        for interval in intervals if number % 4 == 0 else intervals[1:]:
            for place, probes in enumerate(probe_sets):
                if probes == ("B",) and case.scenario in ("probe_fault", "probe_removed"):
                    continue
                unit = labelled.unit_of(case, interval_min=interval, probes=probes, taus=(number + place + interval) % 3 != 0)
                picked = labelled.episode_of(case, unit)
                if picked is None:
                    continue
                facts = evidence.measure(picked[0], unit, condition=labelled.CONDITION[case.kind], excursions=picked[1])
                tells = evidence.information.share(facts.lead)
                found.append((case.cause, facts.direction, {key: clue.lean * causes.part(clue, tells=tells) for key, clue in clues.of_traces(facts).items()}))
    return found


def fit(rows: list[tuple[str, str, dict[str, float]]], *, spread: float = 1.0, looks: float = 12.0) -> dict[str, dict]:
    """New weights by cause: {key: (yes, no)}; priors stay as they are, so that "undetermined" keeps its meaning."""
    declared = [cause for cause in causes.DECLARED if "shipper" not in cause.kinds]
    names: list[tuple[str, str, int]] = []
    start: list[float] = []
    for cause in declared:
        for key, pair in cause.weights.items():
            for side in (0, 1):
                if pair[side] and abs(pair[side]) <= MOST and key not in FIXED:
                    names.append((cause.id, key, side))
                    start.append(pair[side])
    start_array = np.array(start)
    width = len(names)
    ids = [cause.id for cause in declared]
    priors = np.array([cause.prior for cause in declared])
    features = np.zeros((len(rows), len(ids), width), dtype="float32")
    closed = np.zeros((len(rows), len(ids)), bool)
    truth = np.array([ids.index(cause) for cause, _, _ in rows])
    for r, (_, direction, leans) in enumerate(rows):
        for c, cause in enumerate(declared):
            closed[r, c] = direction not in cause.directions
        for w, (cause, key, side) in enumerate(names):
            lean = leans.get(key, 0.0)
            features[r, ids.index(cause), w] = max(0.0, lean if side == 0 else -lean)
    usable = ~closed[np.arange(len(rows)), truth]

    def cost(weights: np.ndarray) -> tuple[float, np.ndarray]:
        sums = np.where(closed, -1e9, features @ weights + priors)
        full = np.column_stack([sums, np.full(len(rows), causes.UNDETERMINED)])
        full = full - full.max(axis=1, keepdims=True)
        share = np.exp(full) / np.exp(full).sum(axis=1, keepdims=True)
        likelihood = np.log(np.maximum(share[np.arange(len(rows)), truth], 1e-12))[usable].sum() / looks
        error = share[:, :-1].copy()
        error[np.arange(len(rows)), truth] -= 1.0
        slope = np.einsum("rc,rcw->w", error[usable], features[usable]) / looks
        away = (weights - start_array) / spread**2
        return -likelihood + 0.5 * float(away @ (weights - start_array)), slope + away

    bounds = [((0.0, ABSENCE if side else MOST) if value > 0 else (-MOST, 0.0)) for (_, _, side), value in zip(names, start, strict=True)]
    found = minimize(cost, start_array, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 300})
    result: dict[str, dict] = {cause.id: {key: list(pair) for key, pair in cause.weights.items()} for cause in declared}
    for (cause, key, side), value in zip(names, found.x, strict=True):
        result[cause][key][side] = round(float(value), 1)
    return result


def main() -> None:
    whole = labelled.tuning(cabinets=20)
    cases = [*whole, *(labelled.cut(case, before_h=14, after_h=8) for case in whole[::2]), *labelled.tuning(cabinets=8, first_seed=1100, freezers=True)]
    for name, weights in fit(samples(cases)).items():
        print(name, weights)


if __name__ == "__main__":
    main()
