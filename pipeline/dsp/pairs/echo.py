"""One strong reflection in one of two microphones, beside their colours.

A floor or a wall near a distant microphone returns the sound within a millisecond
or two and hardly weaker: 1 + g D exp(-i w d), D a first-order low-pass. Its notches
are deeper and narrower than any colour that `colour` expects, and bands too wide
for them would take their phase for delay. So it is told by the pulse that it leaves
once the smooth colour is divided out, and then fitted together with the colours,
its level, delay and corner as three more unknowns.

A surface returns sound without inverting it, so a negative pulse is a reflection in
the other microphone: 1 / (1 + g D exp(-i w d)).

Source: image source for the form (Allen and Berkley, JASA 65, 1979); the estimate is
Gauss and Newton's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

NEAREST_S = 0.00015
FARTHEST_S = 0.006
LEAST_BEHIND = 0.15
LEAST_AHEAD = 0.3
# A dull pulse is lower than its gain.
STEEPER = 1.5
MOST_GAIN = 3.0
# A carpet, a bare floor.
START_CORNERS_HZ = (3000.0, 20_000.0)
CORNERS_HZ = (300.0, 30_000.0)
# Level, delay in samples at 48 kHz, and logarithm of the corner.
VARIANCE = np.array([0.3**2, 2.0**2, 1.0])
LOWS_BELOW_HZ = 2000.0
FINER = 4
# Bins in a notch say little.
SHALLOWEST = 0.1


@dataclass(frozen=True, slots=True)
class Echo:
    """A reflection.

    Attributes
    ----------
    gain : float
        Amplitude at low frequencies against the direct sound; negative: inverted.
    delay_samples : float
        Later than the direct sound by; positive.
    corner_hz : float
        Where the reflecting surface begins to swallow.
    side : {1, -1}
        1: in microphone b, -1: in a.
    """

    gain: float
    delay_samples: float
    corner_hz: float
    side: int

    def _return(self, freq_hz: Float, rate_hz: int) -> tuple[Complex, Complex]:
        dull = 1.0 / (1.0 + 1j * freq_hz / self.corner_hz)
        turn = np.exp(-2j * np.pi * freq_hz / rate_hz * self.delay_samples)
        return np.asarray(dull), np.asarray(dull * turn)

    def response(self, freq_hz: Float, rate_hz: int) -> Complex:
        """Direct sound and reflection together, its notches not below -20 dB.

        Parameters
        ----------
        freq_hz : ndarray, shape (n,)
            Frequencies.
        rate_hz : int
            Sampling rate in Hz.

        Returns
        -------
        ndarray of complex, shape (n,)
            In the microphone that hears it.
        """
        pair = 1.0 + self.gain * self._return(freq_hz, rate_hz)[1]
        size = np.abs(pair)
        return np.asarray(pair * np.maximum(1.0, SHALLOWEST / (size + 1e-12)))

    def slopes(self, freq_hz: Float, rate_hz: int) -> Complex:
        """How the logarithm of b against a follows the three unknowns.

        Parameters
        ----------
        freq_hz : ndarray, shape (n,)
            Frequencies.
        rate_hz : int
            Sampling rate in Hz.

        Returns
        -------
        ndarray of complex, shape (n, 3)
            By level, delay in samples, and logarithm of the corner.
        """
        dull, back = self._return(freq_hz, rate_hz)
        pair = self.response(freq_hz, rate_hz)
        late = -2j * np.pi * freq_hz / rate_hz
        corner = dull * 1j * freq_hz / self.corner_hz
        columns = np.column_stack(
            [back, self.gain * back * late, self.gain * back * corner]
        )
        return np.asarray(self.side * columns / pair[:, np.newaxis])

    def moved(self, by: Float) -> "Echo":
        """Another reflection this far away, within what rooms do.

        Parameters
        ----------
        by : ndarray, shape (3,)
            Steps of level, delay and logarithm of the corner.

        Returns
        -------
        Echo
            Of the same sign, with an audible corner.
        """
        sign = 1.0 if self.gain > 0 else -1.0
        return Echo(
            gain=sign * float(np.clip(sign * (self.gain + by[0]), 0.01, MOST_GAIN)),
            delay_samples=max(1.0, self.delay_samples + float(by[1])),
            corner_hz=float(
                np.clip(self.corner_hz * np.exp(np.clip(by[2], -3, 3)), *CORNERS_HZ)
            ),
            side=self.side,
        )


@dataclass(frozen=True, slots=True)
class Suspect:
    """A reflection as the pulses show it, before it is fitted.

    Attributes
    ----------
    echo : Echo
        The later path.
    shift_samples : float
        Where the delay between the direct sounds lies against the one taken out:
        not 0 where the reflection is the louder path, and was taken for direct.
    sign : {1, -1}
        Of the direct sounds against the one taken out: -1 where the louder path
        comes inverted.
    """

    echo: Echo
    shift_samples: float
    sign: int


def suspect_echo(
    residual: Complex, weight: Float, freq_hz: Float, rate_hz: int
) -> tuple[Suspect, ...]:
    """Look for a pulse behind the loudest path, or one ahead of it.

    Parameters
    ----------
    residual : ndarray of complex, shape (bins,)
        b against a without smooth colour, delay and sign.
    weight : ndarray, shape (bins,)
        What each bin is worth.
    freq_hz : ndarray, shape (bins,)
        Evenly spaced.
    rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    tuple of Suspect
        Empty where nothing stands out, 0.15 to 6 ms on either side; two where the
        loudest path is not the direct one.
    """
    curve = _pulses(residual, weight, freq_hz, rate_hz)
    rate = rate_hz * FINER
    own = float(np.roll(curve, FINER)[: 2 * FINER].max())
    near, far = (round(s * rate) for s in (NEAREST_S, FARTHEST_S))
    if own <= 0.0:
        return ()
    behind, ahead = curve[near:far] / own, curve[-near:-far:-1] / own
    late, early = int(np.argmax(np.abs(behind))), int(np.argmax(np.abs(ahead)))
    if abs(ahead[early]) >= LEAST_AHEAD:
        return _louder(float(ahead[early]), (near + early) / FINER)
    share = float(behind[late])
    if abs(share) < LEAST_BEHIND:
        return ()
    gain, side = min(1.0, STEEPER * abs(share)), 1 if share > 0 else -1
    samples = (near + late) / FINER
    return tuple(
        Suspect(Echo(gain, samples, corner, side), 0.0, 1)
        for corner in START_CORNERS_HZ
    )


def _louder(share: float, samples: float) -> tuple[Suspect, ...]:
    # A louder path may come from a second speaker, wired either way.
    gain = min(MOST_GAIN, 1.0 / abs(share))
    suspects = []
    for side in (1, -1):
        sign = side if share > 0 else -side
        echo = Echo(sign * gain, samples, CORNERS_HZ[1], side)
        suspects.append(Suspect(echo, -side * samples, sign))
    return tuple(suspects)


def _pulses(residual: Complex, weight: Float, freq_hz: Float, rate_hz: int) -> Float:
    # `FINER` points a sample, the loudest path at 0; lows count for more, for
    # surfaces swallow treble.
    step = float(freq_hz[1] - freq_hz[0])
    first = round(float(freq_hz[0]) / step)
    bins = round(0.5 * rate_hz / step)
    heavy = weight / (1.0 + freq_hz / LOWS_BELOW_HZ)
    limited = residual / np.maximum(1.0, np.abs(residual) / MOST_GAIN)
    spectrum = np.zeros(FINER * bins + 1, dtype=np.complex128)
    spectrum[first : first + freq_hz.size] = heavy * limited
    return np.asarray(np.fft.irfft(spectrum))
