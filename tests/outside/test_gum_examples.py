"""The budget helpers against worked examples of the guides on uncertainty, and against a library for it."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from cardmeasure.uncertainty import (
    combined_standard_uncertainty,
    conformance_probability,
    coverage_factor,
    effective_degrees_of_freedom,
)

# JCGM 100:2008, H.1.3: end gauge. Lengths in nm, temperatures in degrees C; the guide prints these rounded.
LS_NM, U_LS_NM, DOF_LS = 50_000_623.0, 25.0, 18
D_NM, U_D_NM, DOF_D = 215.0, math.hypot(5.8, 3.9, 6.7), 25.6  # 9.7
ALPHA_S, U_ALPHA_S = 11.5e-6, 2e-6 / math.sqrt(3)  # 1.2e-6
THETA, U_THETA = -0.1, math.hypot(0.2, 0.5 / math.sqrt(2))  # 0.41
U_DELTA_ALPHA, DOF_DELTA_ALPHA = 1e-6 / math.sqrt(3), 50  # 0.58e-6
U_DELTA_THETA, DOF_DELTA_THETA = 0.05 / math.sqrt(3), 2  # 0.029
H1_CONTRIBUTIONS_NM = (
    U_LS_NM,
    U_D_NM,
    0.0 * U_ALPHA_S,  # the sensitivity is -ls * delta theta, which is estimated as 0
    0.0 * U_THETA,  # -ls * delta alpha: 0
    -LS_NM * THETA * U_DELTA_ALPHA,
    -LS_NM * ALPHA_S * U_DELTA_THETA,
)
H1_DOF = (DOF_LS, DOF_D, math.inf, math.inf, DOF_DELTA_ALPHA, DOF_DELTA_THETA)

# JCGM 100:2008, H.2, table H.2: simultaneous resistance and reactance; volts, amperes, radians (from memory; the test
# of the means below shows that they are the published ones)
H2_V = (5.007, 4.994, 5.005, 4.990, 4.999)
H2_I = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
H2_PHI = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def test_end_gauge_contributions_are_those_published() -> None:
    """JCGM 100, table H.1: 25, 9.7, 0, 0, 2.9, 16.6 nm."""
    assert [round(abs(u), 1) for u in H1_CONTRIBUTIONS_NM] == [25.0, 9.7, 0.0, 0.0, 2.9, 16.6]


def test_end_gauge_combined_uncertainty_is_32_nm() -> None:
    """JCGM 100, H.1.4: u_c = 32 nm."""
    assert round(combined_standard_uncertainty(H1_CONTRIBUTIONS_NM)) == 32


def test_end_gauge_effective_degrees_of_freedom_are_16() -> None:
    """JCGM 100, H.1.6: 16.7, taken as 16. Without rounding it is 16.75: one unit of the last digit is allowed."""
    dof = effective_degrees_of_freedom(H1_CONTRIBUTIONS_NM, H1_DOF)
    assert dof == pytest.approx(16.7, abs=0.1)
    assert math.floor(dof) == 16


def test_end_gauge_expanded_uncertainty_is_93_nm() -> None:
    """JCGM 100, H.1.6: t_99(16) = 2.92, U_99 = 93 nm."""
    k = coverage_factor(0.99, 16)
    assert round(k, 2) == 2.92
    assert round(k * 32) == 93


def test_end_gauge_with_second_order_terms_is_34_nm() -> None:
    """JCGM 100, H.1.7 (from memory): ls u(delta alpha) u(theta) and ls u(alpha s) u(delta theta) raise u_c to 34 nm."""
    second_order = (LS_NM * U_DELTA_ALPHA * U_THETA, LS_NM * U_ALPHA_S * U_DELTA_THETA)
    assert [round(u, 1) for u in second_order] == [11.7, 1.7]
    assert round(combined_standard_uncertainty((*H1_CONTRIBUTIONS_NM, *second_order))) == 34


def test_end_gauge_agrees_with_a_library_for_budgets() -> None:
    """The same inputs through GTC, which differentiates the model itself: 31.66 nm and 16.75 degrees of freedom."""
    ls, d = GTC.ureal(LS_NM, U_LS_NM, DOF_LS), GTC.ureal(D_NM, U_D_NM, DOF_D)
    alpha_s, theta = GTC.ureal(ALPHA_S, U_ALPHA_S), GTC.ureal(THETA, U_THETA)
    d_alpha = GTC.ureal(0.0, U_DELTA_ALPHA, DOF_DELTA_ALPHA)
    d_theta = GTC.ureal(0.0, U_DELTA_THETA, DOF_DELTA_THETA)
    length = ls + d - ls * (d_alpha * theta + alpha_s * d_theta)
    ours = combined_standard_uncertainty(H1_CONTRIBUTIONS_NM)
    assert ours == pytest.approx(GTC.uncertainty(length), rel=1e-9)
    assert round(ours, 2) == 31.66
    dof = effective_degrees_of_freedom(H1_CONTRIBUTIONS_NM, H1_DOF)
    assert dof == pytest.approx(GTC.dof(length), rel=1e-9)
    assert round(dof, 2) == 16.75
    assert coverage_factor(0.99, dof) == pytest.approx(GTC.reporting.k_factor(dof, 99), rel=1e-6)


def _of_mean(observations: tuple[float, ...]) -> tuple[float, float]:
    return float(np.mean(observations)), float(np.std(observations, ddof=1) / math.sqrt(len(observations)))


def test_resistance_observations_are_those_published() -> None:
    """JCGM 100, table H.2: means 4.9990 V, 19.6610 mA, 1.04446 rad; u 0.0032 V, 0.0095 mA, 0.00075 rad."""
    (v, u_v), (i, u_i), (phi, u_phi) = (_of_mean(x) for x in (H2_V, H2_I, H2_PHI))
    assert (round(v, 4), round(u_v, 4)) == (4.9990, 0.0032)
    assert (round(1000 * i, 4), round(1000 * u_i, 4)) == (19.6610, 0.0095)
    assert (round(phi, 5), round(u_phi, 5)) == (1.04446, 0.00075)
    r = np.corrcoef([H2_V, H2_I, H2_PHI])
    assert [round(float(x), 2) for x in (r[0, 1], r[0, 2], r[1, 2])] == [-0.36, 0.86, -0.65]


def test_correlated_inputs_of_resistance_reactance_and_impedance() -> None:
    """JCGM 100, table H.3: R = V cos(phi) / I, X = V sin(phi) / I, Z = V / I with u_c 0.071, 0.295, 0.236 ohm.

    The guide rounded in between, so one unit of its last digit is allowed (X is 0.2956 without rounding); the library
    has to agree to all digits.
    """
    (v, u_v), (i, u_i), (phi, u_phi) = (_of_mean(x) for x in (H2_V, H2_I, H2_PHI))
    correlation = np.corrcoef([H2_V, H2_I, H2_PHI])
    inputs = GTC.multiple_ureal((v, i, phi), (u_v, u_i, u_phi), 4)
    for a, b in ((0, 1), (0, 2), (1, 2)):
        GTC.set_correlation(correlation[a, b], inputs[a], inputs[b])
    gv, gi, gphi = inputs
    r, x, z = v / i * math.cos(phi), v / i * math.sin(phi), v / i
    assert (round(r, 3), round(x, 3), round(z, 3)) == (127.732, 219.847, 254.260)
    for derivatives, model, published in (
        ((r / v, -r / i, -x), gv * GTC.cos(gphi) / gi, 0.071),
        ((x / v, -x / i, r), gv * GTC.sin(gphi) / gi, 0.295),
        ((z / v, -z / i, 0.0), gv / gi, 0.236),
    ):
        contributions = [c * u for c, u in zip(derivatives, (u_v, u_i, u_phi), strict=True)]
        combined = combined_standard_uncertainty(contributions, correlation=correlation)
        assert combined == pytest.approx(published, abs=0.001)
        assert combined == pytest.approx(GTC.uncertainty(model), rel=1e-9)


def test_sum_of_four_rectangular_inputs() -> None:
    """JCGM 101:2008, 9.2.3: u = 2.00, and the interval by the law of propagation, [-3.92, 3.92], is wider than the
    shortest true one, +-3.88."""
    u = combined_standard_uncertainty((1.0, 1.0, 1.0, 1.0))
    assert u == pytest.approx(2.0, abs=1e-12)
    assert round(coverage_factor(0.95) * u, 2) == 3.92
    assert coverage_factor(0.95) * u > 3.88


@pytest.mark.parametrize(
    ("dof", "p", "t"),
    [
        (1, 0.95, 12.71),
        (2, 0.95, 4.30),
        (10, 0.95, 2.23),
        (16, 0.95, 2.12),
        (16, 0.99, 2.92),
        (50, 0.9973, 3.16),
        (math.inf, 0.6827, 1.000),
        (math.inf, 0.95, 1.960),
        (math.inf, 0.9545, 2.000),
        (math.inf, 0.9973, 3.000),
    ],
)
def test_coverage_factors_of_table_g_2(dof: float, p: float, t: float) -> None:
    """JCGM 100, table G.2 (from memory)."""
    assert round(coverage_factor(p, dof), 3 if math.isinf(dof) else 2) == t


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_conformance_at_the_z_of_table_1(p: float, z: float) -> None:
    """JCGM 106:2012, table 1 (from memory, arithmetic checked): z for a probability with one limit."""
    assert conformance_probability(0.0, 1.0, upper=z) == pytest.approx(p, abs=1.5e-3)


def test_one_sided_conformance_examples() -> None:
    """JCGM 106:2012 (from memory, arithmetic checked): -5.47 V, u 0.05, limit -5.40; 509.7 kPa, u 8.6, limit 490."""
    assert round(conformance_probability(-5.47, 0.05, upper=-5.40), 2) == 0.92
    assert round(conformance_probability(509.7, 8.6, lower=490.0), 2) == 0.99


def test_two_sided_conformance_example() -> None:
    """JCGM 106:2012 (from memory, arithmetic checked): 13.6, u 1.8, limits 12.5 and 16.3."""
    assert round(conformance_probability(13.6, 1.8, lower=12.5, upper=16.3), 2) == 0.66
