"""How far from the truth latency, polarity, drift and jumps are.

    python -m tests.benchmarks.latency_bench [--scenes N] [--seed S] [--family F]

Prints, over scenes with constructed truth: error tables by family and by what
the scene was made of, beside plain cross-correlation, the phase transform and
the Cramer-Rao bound (Carter 1987, Quazi 1981, one signal free of noise); drift
and jumps; and one rig played by seven DIs. All errors are in samples at 48 kHz.
"""

import argparse
from collections.abc import Callable

import numpy as np

from pipeline.dsp.latency import ArraySource, estimate_latency, prepare_di
from tests.benchmarks.trials import (
    GROSS,
    RATE_HZ,
    Guess,
    Outcome,
    Trial,
    campaign,
    run,
    table,
)
from tests.scenes import FAMILIES, HELD_OUT, MOVING, ODD, PLAIN, one_rig

SEVEN = (
    "bright riff", "dull riff", "palm mutes", "lead", "arpeggio", "strum", "low riff"
)  # fmt: skip
RIG_FAMILIES = ("clean", "crunch", "high gain", "fuzz")
LABELS = ("level", "amp", "cabinet", "mic", "noise", "simulation", "player")
LATE_S = 0.010
DESCRIBED = ("player", "gain", "amp", "cabinet", "mic", "drift", "jumps")
HEAD = (
    "", "n", "bias", "median", "95 %", "max", "gross", "wrong pol", "undet pol",
    "refused", "conf", ">.9 wrong", "in 95 %", "CPU s",
)  # fmt: skip


def _quantiles(errors: list[float]) -> tuple[str, str, str, str]:
    if not errors:
        return ("-", "-", "-", "-")
    away = np.abs(errors)
    return (
        f"{np.median(errors):+.2f}",
        f"{np.median(away):.2f}",
        f"{np.quantile(away, 0.95):.2f}",
        f"{away.max():.2f}",
    )


def _covered(outcomes: list[Outcome]) -> str:
    """Return how often the stated interval holds the truth."""
    known = [o.covered for o in outcomes if o.covered is not None]
    return f"{sum(known)}/{len(known)}"


def _row(name: str, outcomes: list[Outcome]) -> tuple[str, ...]:
    """Errors over what was not refused; refusals are counted beside them."""
    kept = [o for o in outcomes if o.error is not None and o.verdict != "other"]
    errors = [o.error for o in kept if o.error is not None]
    return (
        name,
        str(len(outcomes)),
        *_quantiles(errors),
        str(sum(abs(e) > GROSS for e in errors)),
        str(sum(o.polarity == "wrong" for o in kept)),
        str(sum(o.polarity == "undetermined" for o in kept)),
        str(len(outcomes) - len(kept)),
        f"{np.mean([o.confidence for o in outcomes]):.2f}",
        str(sum(o.certain_and_wrong for o in outcomes)),
        _covered(kept),
        f"{np.mean([o.cpu_s for o in outcomes]):.2f}",
    )


def _grouped(outcomes: list[Outcome], key: Callable[[Outcome], str]) -> str:
    names = list(dict.fromkeys(key(o) for o in outcomes))
    rows = [_row(name, [o for o in outcomes if key(o) == name]) for name in names]
    return table(HEAD, rows)


def _by_label(outcomes: list[Outcome], label: str) -> str:
    return _grouped(outcomes, lambda outcome: outcome.labels.get(label, "-"))


def _method_row(name: str, guesses: list[Guess]) -> tuple[str, ...]:
    errors = [guess.error for guess in guesses]
    gross = sum(abs(error) > GROSS for error in errors)
    wrong = sum(guess.wrong_sign for guess in guesses)
    return (name, str(len(errors)), *_quantiles(errors), str(gross), str(wrong))


def methods(outcomes: list[Outcome]) -> str:
    """Return this program beside the textbook, on equal scenes, and the bound."""
    judged = [o for o in outcomes if o.error is not None]
    ours = [
        Guess(o.error, o.polarity == "wrong") for o in judged if o.error is not None
    ]
    rows = [
        _method_row("plain correlation", [o.plain for o in judged if o.plain]),
        _method_row("phase transform", [o.phat for o in judged if o.phat]),
        _method_row("this program", ours),
    ]
    bounds = [o.bound for o in judged if o.bound is not None]
    text = table(("", "n", "bias", "median", "95 %", "max", "gross", "wrong pol"), rows)
    low, middle, high = np.quantile(bounds, [0.0, 0.5, 1.0])
    hidden = [o.hidden for o in judged]
    rest = [abs(o.error - o.hidden) for o in judged if o.error is not None]
    return (
        f"{text}\nOf the error, cabinet and microphone do this much above Nyquist, "
        f"which no file shows: median {np.median(hidden):.2f}, up to "
        f"{max(hidden):.2f}; without it the median error is {np.median(rest):.2f}, "
        f"95 % {np.quantile(rest, 0.95):.2f}, maximum {max(rest):.2f}"
        f"\nCramer-Rao bound of the added noise, standard deviation: "
        f"median {middle:.1e}, {low:.1e} to {high:.1e} samples"
    )


def movement(outcomes: list[Outcome]) -> str:
    """Return drift and jump errors by family."""
    rows = []
    for family in dict.fromkeys(o.trial.family for o in outcomes):
        group = [o for o in outcomes if o.trial.family == family]
        ppm = [abs(o.drift_error_ppm) for o in group if o.drift_error_ppm is not None]
        found = np.abs([jump for o in group for jump in o.jump_errors])
        sizes, times, ranges = found.T if found.size else np.zeros((3, 1))
        true = sum(o.jumps_true for o in group)
        rows.append((
            family,
            str(len(group)),
            f"{np.median(ppm):.3f}" if ppm else "-",
            f"{max(ppm):.3f}" if ppm else "-",
            str(len(group) - len(ppm)),
            f"{len(found)}/{true}",
            str(sum(o.jumps_false for o in group)),
            f"{sizes.max():.2f}" if len(found) else "-",
            f"{1000 * times.max():.1f}" if len(found) else "-",
            f"{(times > LATE_S).sum()}",
            f"{(times > ranges).sum()}",
            str(sum(o.varying for o in group)),
            f"{sum(o.speed_ratio is not None for o in group)}",
        ))  # fmt: skip
    head = (
        "", "n", "ppm median", "ppm max", "no drift given", "jumps found", "false",
        "size err max", "time err max ms", "> 10 ms", "beyond said",
        "'varying'", "speed named",
    )  # fmt: skip
    return table(head, rows)


def _one_rig(item: tuple[str, int]) -> tuple[str, list[float], list[float]]:
    """Errors of seven DIs through one rig: own front end, then the first one's."""
    family, seed = item
    scenes = one_rig(np.random.default_rng([seed, 77]), family=family, players=SEVEN)
    own, shared = [], []
    front = None
    for scene in scenes:
        reference = prepare_di(scene.di, scene.sample_rate_hz)
        source = ArraySource(scene.capture)
        scale = RATE_HZ / scene.sample_rate_hz
        alone = estimate_latency(reference, source)
        front = front or alone.front_end
        joint = estimate_latency(reference, source, front_end=front)
        own.append((alone.samples - scene.truth.latency_samples) * scale)
        shared.append((joint.samples - scene.truth.latency_samples) * scale)
    return family, own, shared


def rigs(seed: int, count: int) -> str:
    """Return the spread of one rig's bias over seven DIs."""
    items = [(family, seed + k) for k in range(count) for family in RIG_FAMILIES]
    rows = []
    for family, own, shared in campaign(_one_rig, items):
        rows.append((
            family,
            f"{np.mean(own):+.2f}", f"{np.std(own):.2f}", f"{np.ptp(own):.2f}",
            f"{np.mean(shared):+.2f}", f"{np.std(shared):.2f}", f"{np.ptp(shared):.2f}",
        ))  # fmt: skip
    head = ("", "bias", "sd", "range", "bias, one front end", "sd", "range")
    return table(head, rows)


def worst(outcomes: list[Outcome], count: int = 12) -> str:
    """Return the largest errors, the crashes and the confidently wrong, by number."""

    def badness(outcome: Outcome) -> float:
        if outcome.error is None:
            return np.inf
        return abs(outcome.error) * (100 if outcome.certain_and_wrong else 1)

    ranked = sorted(outcomes, key=badness, reverse=True)[:count]
    return "\n".join(describe(outcome) for outcome in ranked)


def describe(outcome: Outcome) -> str:
    """Return one line: how to draw the scene again, what it is, what was said."""
    trial = outcome.trial
    labels = outcome.labels
    made_of = " / ".join(labels[name] for name in DESCRIBED if name in labels)
    if outcome.error is None:
        said = outcome.crash
    else:
        numbers = " ".join(f"{k} {v:.2f}" for k, v in outcome.measures.items())
        said = (
            f"e {outcome.error:+.2f} pol {outcome.polarity} conf "
            f"{outcome.confidence:.2f} {outcome.verdict} [{numbers}] {outcome.doubts}"
        )
    return (
        f"{trial.family} --seed {trial.seed} --number {trial.number}: {made_of}: {said}"
    )


def _trials(options: argparse.Namespace) -> list[Trial]:
    if options.number is not None:
        return [Trial(options.family, options.seed, options.number)]
    if options.family is not None:
        return [Trial(options.family, options.seed, k) for k in range(options.scenes)]
    counts = dict.fromkeys((*PLAIN, *MOVING), options.scenes)
    counts |= {name: max(1, options.scenes - 1) for name in ODD}
    counts |= dict.fromkeys(HELD_OUT, 3 * options.scenes)
    return [Trial(f, options.seed, k) for f, n in counts.items() for k in range(n)]


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=3, help="scenes a family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", choices=sorted(FAMILIES))
    parser.add_argument("--number", type=int, help="this scene of --family only")
    parser.add_argument("--rigs", type=int, default=1, help="rigs a family, seven DIs")
    return parser.parse_args()


def _report(outcomes: list[Outcome]) -> None:
    plain = [o for o in outcomes if o.trial.family in PLAIN]
    seen = [o for o in outcomes if o.trial.family not in HELD_OUT]
    moving = [o for o in outcomes if o.trial.family in MOVING]
    held = [o for o in outcomes if o.trial.family in HELD_OUT]
    print("\n## By family\n" + _grouped(seen, lambda o: o.trial.family))
    for title, group in (("static, plain", plain), ("held out", held)):
        if group:
            print(f"\n## Against the textbook, {title}\n" + methods(group))
            print(table(HEAD, [_row(title, group)]))
    for label in LABELS if plain else ():
        print(f"\n## By {label}, static and plain\n" + _by_label(plain, label))
    if moving:
        print("\n## Drift and jumps\n" + movement(moving))
    print("\n## Worst\n" + worst(seen))


def main() -> None:
    """Run the campaign that the command line asks for, and print its tables."""
    options = _options()
    outcomes = campaign(run, _trials(options))
    if options.family is None:
        _report(outcomes)
        print("\n## One rig, seven DIs\n" + rigs(options.seed, options.rigs))
        return
    print(table(HEAD, [_row(options.family, outcomes)]))
    print(methods(outcomes))
    print(movement(outcomes))
    print("\n".join(describe(outcome) for outcome in outcomes))


if __name__ == "__main__":
    main()
