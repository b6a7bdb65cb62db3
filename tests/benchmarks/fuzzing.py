"""What the campaigns with damaged files share: options, figures, exit status."""

import argparse
import time
from collections import Counter
from collections.abc import Callable

Campaign = Callable[[range, int], tuple[dict[str, int], list[str], str]]


def peak_mib() -> str:
    """Peak memory of this process in MiB, where the system tells."""
    try:
        import resource
    except ImportError:
        return "unknown"
    return f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f}"


def run_campaign(
    doc: str, campaign: Campaign, kind_of: Callable[[int, int], str]
) -> int:
    """Run the campaign that the command line asks for: exit status.

    `campaign` takes cases and a seed, and gives counts of what was used and refused,
    descriptions of the bad ones, and its peak memory; `kind_of` names the kind of file
    of a seed's case.
    """
    parser = argparse.ArgumentParser(description=doc.splitlines()[0])
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    started = time.monotonic()
    cases = range(options.first, options.first + options.cases)
    counts, bad, peak = campaign(cases, options.seed)
    print(
        f"{len(cases)} cases of seed {options.seed}: {counts['used']} used, "
        f"{counts['refused']} refused, {len(bad)} bad, "
        f"{time.monotonic() - started:.0f} s, peak {peak} MiB"
    )
    kinds = Counter(kind_of(options.seed, case) for case in cases)
    print("of", ", ".join(f"{kind} {kinds[kind]}" for kind in sorted(kinds)))
    print("\n".join(bad[:20]))
    return 1 if bad else 0
