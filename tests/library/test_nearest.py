"""Authority: distances one pair at a time; a cache must never be believed blindly."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.library import tone
from pipeline.library.catalogue import CACHE, Catalogue
from pipeline.library.heard import Heard
from pipeline.library.nearest import load_tones, similar, similar_to_heard
from pipeline.library.refusals import QueryError
from tests.library import invented


def vectors(library: Catalogue) -> dict[int, np.ndarray]:
    rows = library.db.execute("SELECT capture_number, vector FROM tone")
    return {n: np.frombuffer(v, "<f4").astype(np.float32) for n, v in rows}


def test_ranking_is_that_of_single_distances(searched: Catalogue) -> None:
    """Slow twin: sort every single distance."""
    known = vectors(searched)
    found = similar(searched, 3, count=5)
    single = {
        n: tone.distance(v, known[3]).total_db  # type: ignore[union-attr]
        for n, v in known.items()
        if n != 3
    }
    expected = sorted(single, key=lambda n: (single[n], n))[:5]
    assert [near.number for near in found] == expected
    assert [n.distance_db for n in found] == pytest.approx(
        [single[n] for n in expected], abs=0.01
    )


def test_conditions_narrow_the_ranking(searched: Catalogue) -> None:
    found = similar(searched, 3, count=50, conditions=("mic ~ rib",))
    assert len(found) == 8
    assert {near.facts[4] for near in found} == {"rib one"}


def test_cache_follows_every_change(library: Catalogue, tmp_path: Path) -> None:
    assert len(load_tones(library).numbers) == 24
    library.add(invented.write(tmp_path / "run 3", invented.night(3, 6)))
    assert len(load_tones(library).numbers) == 30
    library.remove(1)
    assert len(load_tones(library).numbers) == 18
    assert len(list((library.root / CACHE).glob("*.npy"))) == 2


@pytest.mark.parametrize("content", [b"", b"\x93NUMPY\x01\x00", b"noise" * 1000])
def test_damaged_cache_is_made_again(library: Catalogue, content: bytes) -> None:
    before = similar(library, 3)
    for path in (library.root / CACHE).glob("*.npy"):
        path.write_bytes(content)
    assert similar(library, 3) == before


def test_capture_without_a_tone_is_refused(searched: Catalogue, tmp_path: Path) -> None:
    with pytest.raises(QueryError, match="has the number 999"):
        similar(searched, 999)
    night = invented.night(3, 2)
    night["captures"][1] |= {"status": "rejected", "curves": None, "metrics": {}}
    with Catalogue(tmp_path / "library") as library:
        library.add(invented.write(tmp_path / "run", night))
        with pytest.raises(QueryError, match=r"t002, rejected\) has no measured"):
            similar(library, 2)


def test_a_capture_s_own_spectrum_is_nearest_to_itself(searched: Catalogue) -> None:
    night = invented.night(2, 12)
    levels = night["captures"][4]["curves"]["third_octave_db"]
    heard = Heard(tuple(invented.BANDS), tuple(level + 11 for level in levels))
    near = similar_to_heard(searched, heard, count=2)
    assert near[0].facts[0] == "night 2"
    assert near[0].facts[2] == "t005"
    assert near[0].distance_db < 0.05 < near[1].distance_db


def test_recording_without_all_bands_is_refused(searched: Catalogue) -> None:
    with pytest.raises(QueryError, match="third octave"):
        similar_to_heard(searched, Heard((100.0,), (0.0,)))
