"""Conversions between the units of the trade, each in one place.

Sign of lag: positive means that the capture is late against the DI.
"""

import math

CELSIUS_ZERO_K = 273.15
ROOM_TEMPERATURE_C = 20.0
SILENCE_DB = -300.0


def db_from_power(power: float) -> float:
    """Level of a power ratio in dB.

    Parameters
    ----------
    power : float
        Ratio of two powers, 0 or more.

    Returns
    -------
    float
        10 log10(power), never below -300 dB, so that silence stays finite.
    """
    return 10.0 * math.log10(power) if power > 1e-30 else SILENCE_DB


def db_from_amplitude(amplitude: float) -> float:
    """Level of an amplitude ratio in dB.

    Parameters
    ----------
    amplitude : float
        Ratio of two amplitudes, 0 or more.

    Returns
    -------
    float
        20 log10(amplitude), never below -300 dB.
    """
    return 20.0 * math.log10(amplitude) if amplitude > 1e-15 else SILENCE_DB


def amplitude_from_db(level_db: float) -> float:
    """Amplitude ratio of a level in dB.

    Parameters
    ----------
    level_db : float
        Level in dB.

    Returns
    -------
    float
        10 ** (level_db / 20).
    """
    return float(10.0 ** (level_db / 20.0))


def speed_of_sound_m_s(temperature_c: float = ROOM_TEMPERATURE_C) -> float:
    """Speed of sound in dry air: 331.3 sqrt(1 + T / 273.15).

    Parameters
    ----------
    temperature_c : float
        Air temperature in degrees Celsius.

    Returns
    -------
    float
        Metres per second; 343.2 at 20 C. Handbooks differ by 0.5 percent.
    """
    return 331.3 * math.sqrt(1.0 + temperature_c / CELSIUS_ZERO_K)


def mm_from_samples(
    samples: float, sample_rate_hz: int, temperature_c: float = ROOM_TEMPERATURE_C
) -> float:
    """Distance that sound travels in a number of samples.

    Parameters
    ----------
    samples : float
        Delay in samples.
    sample_rate_hz : int
        Sampling rate in Hz.
    temperature_c : float
        Air temperature in degrees Celsius.

    Returns
    -------
    float
        Millimetres, with the sign of `samples`; 7.15 mm a sample at 48 kHz.
    """
    return samples / sample_rate_hz * speed_of_sound_m_s(temperature_c) * 1000.0
