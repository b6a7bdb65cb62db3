"""Which format audio travels in to a page on disk: FLAC or WAV in base64.

For 30 and 180 seconds at 48 kHz: bytes of the script, CPU seconds to encode it, and
in chromium from file:// the milliseconds to load the script, to turn base64 into
bytes (natively and by atob) and to decode. Decoded sound takes 4 bytes a frame.

Run: python tests/benchmarks/listening_formats.py
"""

import io
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS / "browser")]

RATE = 48000
PAGE = """<!doctype html><meta charset="utf-8"><title>x</title><script>
let last = null;
const reamps_audio = (found) => { last = found; };
const load = (link) => new Promise((done) => {
  const node = document.createElement("script");
  node.src = link;
  node.onload = done;
  document.head.append(node);
});
const go = async (link, native) => {
  const context = new OfflineAudioContext(1, 1, 48000);
  const t = [performance.now()];
  await load(link);
  t.push(performance.now());
  const raw = native ? null : atob(last.data);
  const bytes = native ? Uint8Array.fromBase64(last.data) :
    Uint8Array.from({length: raw.length}, (_, k) => raw.charCodeAt(k));
  t.push(performance.now());
  const buffer = await context.decodeAudioData(bytes.buffer);
  t.push(performance.now());
  return {frames: buffer.length, load_ms: t[1] - t[0], bytes_ms: t[2] - t[1],
    decode_ms: t[3] - t[2]};
};
</script>"""


def music(seconds: int) -> np.ndarray:
    """Decaying, clipped notes with hiss, as 16-bit integers."""
    rng = np.random.default_rng(5)
    at = np.arange(RATE) / RATE
    notes = [82.4 * 2 ** (step / 12) for step in rng.integers(0, 24, seconds)]
    wave = np.concatenate(
        [
            np.tanh(3 * sum(np.sin(2 * np.pi * f * h * at) / h for h in range(1, 9)))
            * np.exp(-2 * at)
            for f in notes
        ]
    )
    wave = 0.3 * wave + 1e-4 * rng.standard_normal(len(wave))
    return np.round(wave * 32767).astype(np.int16)


def main() -> None:
    """Print one line of JSON for each length, format and way to bytes."""
    import driver

    from pipeline.report.listening import listening_script

    if driver.absent():
        print(driver.absent())
        return
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder, "index.html")
        page.write_text(PAGE, encoding="utf-8")
        with driver.browser(Path(folder)) as found:
            for seconds in (30, 180):
                samples = music(seconds)
                for kind in ("flac", "wav"):
                    began = time.process_time()
                    held = io.BytesIO()
                    soundfile.write(held, samples, RATE, "PCM_16", format=kind)
                    text = listening_script(
                        "x",
                        held.getvalue(),
                        f"audio/{kind}",
                        rate=RATE,
                        frames=len(samples),
                    )
                    cpu = time.process_time() - began
                    link = f"{kind}{seconds}.js"
                    Path(folder, link).write_text(text, encoding="utf-8")
                    for native in (True, False):
                        found.open(page)
                        figures = found.wait(
                            "go(arguments[0], arguments[1]).then(done)",
                            link,
                            native,
                            seconds=60,
                        )
                        figures = {key: round(at) for key, at in figures.items()}
                        figures |= {"script_bytes": len(text), "encode_cpu_s": cpu}
                        print(seconds, kind, "native" if native else "atob", end=" ")
                        print(json.dumps(figures))


if __name__ == "__main__":
    main()
