"""The phase of minimum phase, held to filters whose phase is known in closed form.

A pole or a zero inside the unit circle is of minimum phase: Oppenheim and Schafer,
"Discrete-time signal processing", on minimum-phase systems.
"""

import numpy as np
import pytest

from pipeline.dsp.cepstrum import minimum_phase_of


@pytest.mark.parametrize(("zero", "pole"), [(0.0, 0.5), (-0.6, 0.0), (0.3, -0.8)])
def test_phase_of_a_pole_and_a_zero(zero, pole):
    back = np.exp(-1j * np.linspace(0.0, np.pi, 2049))
    response = (1.0 - zero * back) / (1.0 - pole * back)
    found = minimum_phase_of(np.log(np.abs(response)))
    assert found == pytest.approx(np.angle(response), abs=1e-9)


def test_rows_are_taken_each_on_its_own():
    rows = np.log(
        np.abs(1.0 - np.outer([0.2, 0.7], np.exp(-1j * np.linspace(0, np.pi, 65))))
    )
    each = [minimum_phase_of(row) for row in rows]
    assert minimum_phase_of(rows) == pytest.approx(np.array(each), abs=1e-12)
