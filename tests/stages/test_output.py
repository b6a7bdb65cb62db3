"""The levelled file: its gain is that of the samples, in file and listening copy."""

import numpy as np
import soundfile

from pipeline.dsp.dither import to_16_bits
from pipeline.files.bext import BextFields
from pipeline.stages.output import write_output


def test_file_and_copy_hold_the_samples_with_their_gain(tmp_path):
    rng = np.random.default_rng(2)
    aligned = (0.2 * rng.normal(size=300_001)).clip(-0.8, 0.8).astype(np.float32)
    heard = []
    (tmp_path / "audio").mkdir()
    path = tmp_path / "audio/a.wav"
    output = write_output(
        aligned,
        1.0,
        path,
        relative="audio/a.wav",
        sample_rate_hz=48_000,
        bext=BextFields(),
        wrap=lambda samples: heard.append(samples) or b"script",
        listen=tmp_path / "a.js",
    )
    levelled = aligned * np.float32(10 ** (1.0 / 20))
    written, rate = soundfile.read(path, dtype="float32")
    assert (rate, output.frames) == (48_000, 300_001)
    # Half a step of 24 bits, and of 16 bits with its dither of two steps.
    assert np.max(np.abs(written - levelled)) <= 0.5 / 2**23
    assert np.array_equal(heard[0], to_16_bits(levelled))
    assert np.max(np.abs(heard[0] / 32768 - levelled)) <= 1.5 / 2**15
    assert (tmp_path / "a.js").read_bytes() == b"script"
