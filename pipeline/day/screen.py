"""What a person reads from the amp: few words, the verdict first, one screen."""

import textwrap
from collections.abc import Sequence
from math import log2

from pipeline.day.verdict import Heard, Usable
from pipeline.report.titles import finding_title

WIDTH = 78
MOST_FINDINGS = 3
BUFFER_SAMPLES = 32
_WORDS: dict[Usable, str] = {
    "yes": "USABLE",
    "doubtful": "LISTEN FIRST",
    "no": "RECORD AGAIN",
}
_LEVEL_DB = 0.5
_BRIGHT_OCTAVES = 0.05
_LAG_SAMPLES = 2.0
_NOISE_DB = 3.0


def pass_text(
    heard: Sequence[Heard], earlier: Sequence[Sequence[Heard]], *, number: int
) -> str:
    """Say what became of one pass.

    Parameters
    ----------
    heard : sequence of Heard
        Its channels.
    earlier : sequence of sequence of Heard
        Those of the passes before, in order.
    number : int
        Of the pass, counted from 1.

    Returns
    -------
    str
        Lines: the verdict over all, then each channel with finding, evidence and fix,
        then what changed against the last pass in which it could be used.
    """
    worst = max((one.usable for one in heard), key=list(_WORDS).index)
    lines = ["=" * WIDTH, f"  PASS {number}:  {_WORDS[worst]}", "=" * WIDTH]
    for one in heard:
        lines += _channel_lines(one)
        old = _earlier(one, heard, earlier)
        if old is None or one.usable == "no":
            continue
        last, before = old
        called = "the pass before" if last == len(earlier) else f"pass {last}"
        if changes := changes_of(one, before):
            lines.append(f"    against {called}:")
            lines += [f"      {change}" for change in changes]
        else:
            lines.append(f"    as in {called}")
    return "\n".join(lines)


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=f"{indent}   "
    )


def _facts(one: Heard) -> list[str]:
    facts = []
    late = one.late_samples
    if one.latency and late is not None and one.usable != "no":
        ms = late / one.sample_rate_hz * 1000.0
        facts.append(f"lag {late:.1f} ({ms:.2f} ms)")
        facts.append("inverted" if one.latency.polarity == -1 else "upright")
    if one.playout:
        facts.append(f"markers within {abs(one.playout.apart_samples):.1f} samples")
    if one.peak_dbfs is not None:
        facts.append(f"peak {one.peak_dbfs:.1f} dBTP")
    if one.level_dbfs is not None and one.noise_dbfs is not None:
        facts.append(f"noise {one.level_dbfs - one.noise_dbfs:.0f} dB below the music")
    return facts


def _channel_lines(one: Heard) -> list[str]:
    lines = [f"  {_WORDS[one.usable]:<13}{one.label}"]
    lines += _wrapped(", ".join(_facts(one)), "    ")
    shown = [finding for finding in one.findings if finding.severity != "note"]
    for finding in shown[:MOST_FINDINGS]:
        said = f"{finding_title(finding.code)}: {finding.message}"
        lines += _wrapped(said, "    ")
        if finding.fix:
            lines += _wrapped(f"-> {finding.fix}", "      ")
    if len(shown) > MOST_FINDINGS:
        lines.append(f"    and {len(shown) - MOST_FINDINGS} more findings")
    return lines


def _earlier(
    one: Heard, heard: Sequence[Heard], earlier: Sequence[Sequence[Heard]]
) -> tuple[int, Heard] | None:
    """Find the last pass with the same microphone, usable: by name, else by order."""
    for number in range(len(earlier), 0, -1):
        before = earlier[number - 1]
        same = [old for old in before if old.track == one.track]
        if len(same) != 1 and len(before) == len(heard):
            same = [before[list(heard).index(one)]]
        if len(same) == 1 and same[0].usable != "no":
            return number, same[0]
    return None


def changes_of(one: Heard, old: Heard) -> list[str]:
    """Say what changed between two passes of one microphone.

    Parameters
    ----------
    one, old : Heard
        Now, and in the pass before.

    Returns
    -------
    list of str
        Level, brightness, noise, lag and polarity, as far as they moved; empty when
        nothing did.
    """
    changes = []
    if one.level_dbfs is not None and old.level_dbfs is not None:
        step = one.level_dbfs - old.level_dbfs
        if abs(step) >= _LEVEL_DB:
            changes.append(f"{abs(step):.1f} dB {'louder' if step > 0 else 'softer'}")
    if one.brightness_hz and old.brightness_hz:
        octaves = log2(one.brightness_hz / old.brightness_hz)
        if abs(octaves) >= _BRIGHT_OCTAVES:
            word = "brighter" if octaves > 0 else "darker"
            changes.append(f"{abs(octaves) * 12:.1f} semitones {word}")
    if one.noise_dbfs is not None and old.noise_dbfs is not None:
        step = one.noise_dbfs - old.noise_dbfs
        if abs(step) >= _NOISE_DB:
            changes.append(f"noise {step:+.0f} dB")
    return changes + _moved(one, old)


def _moved(one: Heard, old: Heard) -> list[str]:
    if not one.latency or not old.latency or "no" in (one.usable, old.usable):
        return []
    changes = []
    step = (one.late_samples or 0.0) - (old.late_samples or 0.0)
    if abs(step) >= _LAG_SAMPLES:
        text = f"{abs(step):.0f} samples {'later' if step > 0 else 'earlier'}"
        blocks = round(step / BUFFER_SAMPLES)
        if blocks and abs(step - blocks * BUFFER_SAMPLES) <= 1.0:
            text += f" ({abs(blocks)} x {BUFFER_SAMPLES}: the buffer changed?)"
        changes.append(text)
    signs = one.latency.polarity, old.latency.polarity
    if None not in signs and signs[0] != signs[1]:
        changes.append("POLARITY FLIPPED")
    return changes


def again_text(again: Sequence[Heard], passes: Sequence[Sequence[Heard]]) -> str:
    """Say at the end what to record again.

    Parameters
    ----------
    again : sequence of Heard
        What is not usable, or doubtful.
    passes : sequence of sequence of Heard
        All that was judged.

    Returns
    -------
    str
        Lines.
    """
    count = f"{len(passes)} pass{'es' if len(passes) != 1 else ''}"
    if not passes:
        return "Nothing landed."
    if not again:
        return f"{count}: nothing has to be recorded again."
    lines = [f"{count}. Before you tear down, record again:"]
    for one in again:
        reason = next(f for f in one.findings if f.severity != "note")
        said = f"{_WORDS[one.usable]:<13}{one.label}: {finding_title(reason.code)}"
        lines += _wrapped(said, "  ")
        if reason.fix:
            lines += _wrapped(f"-> {reason.fix}", "      ")
    return "\n".join(lines)
