"""Is it this DI: false acceptance and false refusal.

    python -m tests.benchmarks.refusal_bench [--scenes N] [--seed S] [--only CLASS ...]

Foreign captures (another take of the same riff, another riff, hum, hiss,
silence) must be refused. Captures of this DI through odd pedals, noise, cuts
and early starts must not be. "Weak" is neither; it is counted on its own.
"""

import argparse

import numpy as np

from tests.benchmarks.latency_bench import describe
from tests.benchmarks.trials import CERTAIN, Outcome, Trial, campaign, run, table
from tests.scenes import FOREIGN

OWN = (
    "clean", "high gain", "noise", "short", "machine", "octave", "echo", "wah",
    "chorus", "bleed", "gated", "cut", "offset", "drift", "jumps",
)  # fmt: skip
NAMED = ("wrong rate",)


def _row(family: str, outcomes: list[Outcome]) -> tuple[str, ...]:
    group = [o for o in outcomes if o.trial.family == family]
    verdicts = [o.verdict for o in group]
    wrong = "match" if family in FOREIGN else "other"
    confidence = [o.confidence for o in group]
    explained = [o.measures.get("explained", 0.0) for o in group]
    vote = [o.measures.get("vote", 0.0) for o in group]
    return (
        family,
        str(len(group)),
        *(str(verdicts.count(name)) for name in ("match", "weak", "other", "crash")),
        str(verdicts.count(wrong)) if family not in NAMED else "-",
        f"{np.mean(confidence):.2f}",
        f"{np.max(confidence):.2f}",
        f"{min(explained):.3f}..{max(explained):.3f}",
        f"{min(vote):.2f}..{max(vote):.2f}",
        str(sum(o.speed_ratio is not None for o in group)),
    )


def _totals(outcomes: list[Outcome]) -> str:
    foreign = [o for o in outcomes if o.trial.family in FOREIGN]
    own = [o for o in outcomes if o.trial.family in OWN]
    accepted = sum(o.verdict == "match" for o in foreign)
    refused = sum(o.verdict == "other" for o in own)
    weak = sum(o.verdict == "weak" for o in foreign)
    doubted = sum(o.verdict == "weak" for o in own)
    certain = sum(o.confidence > CERTAIN for o in foreign)
    return (
        f"false acceptance {accepted} of {len(foreign)} ({weak} more called weak, "
        f"{certain} with confidence above {CERTAIN})\n"
        f"false refusal {refused} of {len(own)} ({doubted} more called weak)"
    )


def _wrong(outcome: Outcome) -> bool:
    if outcome.trial.family in FOREIGN:
        return outcome.verdict != "other"
    return outcome.trial.family in OWN and outcome.verdict != "match"


def main() -> None:
    """Run the campaign that the command line asks for, and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=4, help="scenes a class")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", help="classes, such as 'other take'")
    options = parser.parse_args()
    families = options.only or (*FOREIGN, *OWN, *NAMED)
    trials = [
        Trial(f, options.seed, k) for f in families for k in range(options.scenes)
    ]
    outcomes = campaign(run, trials)
    head = (
        "", "n", "match", "weak", "other", "crash", "wrong", "conf", "conf max",
        "explained", "vote", "speed named",
    )  # fmt: skip
    print(table(head, [_row(family, outcomes) for family in families]))
    print(_totals(outcomes))
    print("\n".join(describe(o) for o in outcomes if _wrong(o)))


if __name__ == "__main__":
    main()
