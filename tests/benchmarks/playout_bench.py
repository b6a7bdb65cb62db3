"""Do the markers of a play-out file and the music tell the same time?

    python -m tests.benchmarks.playout_bench [SCENES [FIRST_SEED]]

Draws so many random rigs, rooms and riffs (60 by default), sends a play-out file of
each riff through its rig, and prints by family how late markers and music are against
the truth, how far they are apart, how often that is flagged (false alarms: nothing is
wrong), and how often no markers were found.
"""

import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np
import soundfile

from pipeline.day.playout import PlayoutWish, write_playout
from pipeline.dsp.latency import ArraySource, prepare_di
from pipeline.stages.latency import locate
from pipeline.stages.playout import (
    AGREES_MS,
    Expected,
    describe_playout,
    judge_playout,
    read_playout,
)
from tests.scenes import air
from tests.scenes.build import recorded
from tests.scenes.families import PLAIN
from tests.scenes.scene import (
    converter_delay,
    draw_di,
    draw_place,
    draw_rig,
    family_named,
)

SECONDS = 10.0
Row = tuple[float, float, float, bool]


def one(seed: int, family: str) -> Row | None:
    """Errors of markers and music in samples, their distance in ms, and the alarm."""
    rng = np.random.default_rng(seed)
    ranges = family_named(family)
    rate = int(rng.choice(ranges.rates_hz))
    rig, place = draw_rig(rng, ranges, rate), draw_place(rng, ranges, rate)
    _, _, whole = draw_di(rng, ranges, rate)
    di = whole[: round(SECONDS * rate)].astype(np.float32)
    with tempfile.TemporaryDirectory() as home:
        path = Path(home) / "di.wav"
        soundfile.write(path, di, rate, subtype="FLOAT")
        wish = PlayoutWish(path, Path(home) / "out.wav", sweep=False)
        layout = write_playout(wish).layout
        played, _ = soundfile.read(wish.output)
    delay = converter_delay(rng) + air.flight_samples(place.distance_m, rate)
    response = rig.cabinet.response(rate) * place.response(rate)
    tape = recorded(rng, ranges, rig.play(played, rate), (response, delay, rate))
    source = ArraySource(tape.sound.astype(np.float32))
    music = locate(prepare_di(di, rate), source).latency
    found = read_playout(source, layout, Expected(music.samples, doubtful=True))
    reading = describe_playout(found, layout)
    if reading is None:
        return None
    truth = tape.latency + tape.hidden
    return (
        reading.latency_samples - truth,
        music.samples - layout.di_start - truth,
        reading.apart_samples / rate * 1000.0,
        bool(judge_playout(reading, layout, named=True)),
    )


def main(scenes: int, first_seed: int) -> None:
    """Print the table."""
    rows: dict[str, list[Row | None]] = defaultdict(list)
    for seed in range(first_seed, first_seed + scenes):
        family = PLAIN[seed % len(PLAIN)]
        rows[family].append(one(seed, family))
    print(f"flagged above {AGREES_MS} ms; samples and ms: median, worst")
    print(
        f"{'family':<14}{'markers late':>16}{'music late':>16}{'apart ms':>16} flagged "
        "none"
    )
    for family, drawn in rows.items():
        found = [row for row in drawn if row is not None]
        cells = ""
        for index in range(3):
            values = np.array([float(row[index]) for row in found] or [0.0])
            worst = values[np.abs(values).argmax()]
            cells += f"{np.median(values):+9.2f}{worst:+7.2f}"
        alarms = sum(row[3] for row in found)
        print(
            f"{family:<14}{cells} {alarms:>4}/{len(found)} {len(drawn) - len(found):>4}"
        )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(given[0] if given else 60, given[1] if len(given) > 1 else 1)
