"""Authority: rigs whose sameness is known by construction; a double-precision twin."""

from functools import lru_cache
from itertools import permutations

import numpy as np
import pytest

from pipeline.library import tone
from pipeline.models.record import Curves, DiResult
from tests.library.rigs import AXES, Rig, measure, play

RIGS = 50
PLAYED = ("riff", "lead")


@lru_cache(maxsize=1)
def tones() -> dict[str, np.ndarray]:
    """Fifty rigs, each played by two players; rows are rigs."""
    dis = {kind: play(kind, seed) for seed, kind in enumerate(PLAYED)}
    found: dict[str, np.ndarray] = {}
    for take, (kind, di) in enumerate(dis.items()):
        rows = [
            tone.tone(*measure(di, Rig(700 + k).capture(di, take)), AXES)
            for k in range(RIGS)
        ]
        found[kind] = np.array(rows)
    return found


def hits(distances: np.ndarray) -> int:
    """How many rows have their own rig nearest."""
    return int((distances.argmin(axis=1) == np.arange(RIGS)).sum())


def test_other_di_through_same_rig_is_nearest_of_fifty() -> None:
    """Top-1 at least 95 % over every pair of players, and never under 90 %."""
    found = tones()
    rates = []
    for a, b in permutations(PLAYED, 2):
        rows = tone.expand(found[b])
        rates.append(hits(np.array([tone.rig_distances(rows, t)[0] for t in found[a]])))
    assert sum(rates) / len(rates) / RIGS >= 0.95
    assert min(rates) / RIGS >= 0.9


def test_raw_spectra_do_not_find_the_rig() -> None:
    """The same question asked of average spectra fails: what was played is in them."""
    found = tones()
    rates = []
    for a, b in permutations(PLAYED, 2):
        rows = tone.expand(found[b])
        spectra = [t[-21:].astype(float) for t in found[a]]
        rates.append(
            hits(np.array([tone.spectrum_distances(rows, s) for s in spectra]))
        )
    assert sum(rates) / len(rates) / RIGS < 0.7


def test_matrix_products_agree_with_plain_arithmetic() -> None:
    """Slow twin: one pair at a time, in double precision, within 0.01 dB."""
    found = tones()
    rows = tone.expand(found["riff"])
    for wanted in found["lead"][:10]:
        total, parts = tone.rig_distances(rows, wanted)
        for k in range(RIGS):
            twin = tone.distance(found["riff"][k], wanted)
            assert twin is not None
            assert total[k] == pytest.approx(twin.total_db, abs=0.01)
            assert parts[k] == pytest.approx(
                [
                    twin.response_db,
                    twin.compression_db,
                    twin.saturation_db,
                    twin.filling_db,
                ],
                abs=0.02,
            )


def test_distance_is_symmetric_and_zero_to_itself() -> None:
    """Properties of a distance."""
    a, b = tones()["riff"][0], tones()["lead"][1]
    assert tone.distance(a, b) == tone.distance(b, a)
    same = tone.distance(a, a)
    assert same is not None
    assert same.total_db == 0


def flat(gain_db: float, share: float, tilt_db: float = 0.0) -> tuple[Curves, DiResult]:
    """A chain of known response: `gain_db` and a tilt over all bands."""
    hz = AXES.third_octave_hz
    di = tuple(-40.0 - 0.7 * k for k in range(len(hz)))
    explained_db = 10 * np.log10(share)
    capture = tuple(
        level + gain_db + tilt_db * k - explained_db for k, level in enumerate(di)
    )
    curves = Curves(
        third_octave_db=capture,
        erb_db=(),
        smooth_db=(),
        coherence=(share,) * len(hz),
        levels=tuple((x, x + gain_db) for x in range(-60, -5)),
        envelope=(),
    )
    result = DiResult(
        file="", sha256="", sample_rate_hz=48000, frames=1, third_octave_db=di
    )
    return curves, result


def test_gain_alone_is_no_distance() -> None:
    """Truth by construction: the preamp's gain is not the rig's tone."""
    a, b = (tone.tone(*flat(gain, 0.9), AXES) for gain in (0.0, 17.0))
    assert a is not None
    assert b is not None
    found = tone.distance(a, b)
    assert found is not None
    assert found.total_db == pytest.approx(0, abs=1e-4)


def test_response_distance_of_a_known_tilt() -> None:
    """A tilt of 1 dB a band over 21 equal bands deviates by sqrt((21^2 - 1) / 12) dB.

    Variance of a discrete uniform distribution (any handbook of statistics).
    """
    a, b = (tone.tone(*flat(0.0, 0.999, tilt), AXES) for tilt in (0.0, 1.0))
    assert a is not None
    assert b is not None
    found = tone.distance(a, b)
    assert found is not None
    assert found.response_db == pytest.approx(np.sqrt((21**2 - 1) / 12), abs=1e-3)


def test_saturation_is_unexplained_against_explained() -> None:
    """Shares of 1/2 and 1/11 lie 10 dB apart: 10 log10 of (1 - c) / c."""
    a, b = (tone.tone(*flat(0.0, share), AXES) for share in (0.5, 1 / 11))
    assert a is not None
    assert b is not None
    found = tone.distance(a, b)
    assert found is not None
    assert found.saturation_db == pytest.approx(10, abs=1e-3)


def test_nothing_is_said_where_the_di_explains_nothing() -> None:
    """No tone rather than a made-up one."""
    assert tone.tone(*flat(0.0, 0.001), AXES) is None


def test_missing_bands_give_no_tone() -> None:
    """A record at 8 kHz sampling has no band at 8 kHz."""
    curves, di = flat(0.0, 0.9)
    short = AXES.model_copy(update={"third_octave_hz": AXES.third_octave_hz[:-3]})
    assert tone.tone(curves, di, short) is None
