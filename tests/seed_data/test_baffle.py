"""The cabinet: 6 dB step, edge ripple, the shadow behind it."""

import numpy as np
import pytest

from seed_data.model.air import SOUND_SPEED_M_S, level_db
from seed_data.model.baffle import RAYS, cabinet_response, edge_distance_m, rounding_factor
from seed_data.model.speaker import orbit_directions

RAY = 2.0 * np.pi * (np.arange(RAYS) + 0.5) / RAYS


def _response(
    frequency: np.ndarray, edges: np.ndarray, angles: np.ndarray, radius: float = 0.0, depth: float = 0.0
) -> np.ndarray:
    directions = orbit_directions(angles, True)
    omni = np.ones((angles.size, frequency.size))
    return cabinet_response(frequency, directions, edges, RAY, omni, np.ones(frequency.size), radius, depth)


def test_a_small_cabinet_radiates_into_full_space_6_db_below_half_space() -> None:
    edges = edge_distance_m(RAY, 0.1, 0.1, 0.2, 0.1)
    response = _response(np.array([5.0]), edges, np.arange(-170.0, 181.0, 10.0), 0.003, 0.3)
    np.testing.assert_allclose(level_db(response), -6.02, atol=0.1)


def test_the_step_from_bass_to_treble_is_6_db() -> None:
    edges = edge_distance_m(RAY, 0.09, 0.13, 0.31, 0.11)
    frequency = np.geomspace(4000.0, 20000.0, 400)
    treble = 10.0 * np.log10(np.mean(np.abs(_response(frequency, edges, np.zeros(1), 0.01)) ** 2))
    bass = level_db(_response(np.array([5.0]), edges, np.zeros(1), 0.01))[0, 0]
    assert treble - bass == pytest.approx(6.02, abs=0.3)


def test_centre_of_a_disc_has_its_first_peak_where_the_edge_is_half_a_wave_away() -> None:
    # All rays agree on a disc: |1 − ½·e^(−jkρ)| = 1.5 at kρ = π, 0.5 at 2π. Towards 10 dB over the bass, as for the end
    # of a cylinder (common knowledge).
    radius = 0.15
    peak = SOUND_SPEED_M_S / (2.0 * radius)
    response = np.abs(_response(np.array([peak, 2.0 * peak]), np.full(RAYS, radius), np.zeros(1)))[0]
    np.testing.assert_allclose(response, [1.5, 0.5], atol=0.02)


def test_the_field_is_continuous_across_the_shadow_boundary() -> None:
    edges = edge_distance_m(RAY, 0.1, 0.1, 0.2, 0.1)
    frequency = np.geomspace(100.0, 15000.0, 50)
    before, at, after = _response(frequency, edges, np.array([89.9, 90.0, 90.1]))
    assert np.max(np.abs(before - after)) < 0.03
    np.testing.assert_allclose(at, 0.5, atol=1e-9)  # half the direct wave, as behind a half plane


def test_behind_a_deep_cabinet_treble_is_quieter_than_in_front() -> None:
    edges = edge_distance_m(RAY, 0.1, 0.1, 0.2, 0.1)
    front, back = level_db(_response(np.array([4000.0]), edges, np.array([0.0, 180.0]), 0.005, 0.3))[:, 0]
    assert front - back > 15.0


def test_edge_distance_of_a_rectangle() -> None:
    rays = np.array([0.0, np.pi / 2.0, np.pi, 3.0 * np.pi / 2.0, np.pi / 4.0])
    np.testing.assert_allclose(edge_distance_m(rays, 0.1, 0.2, 0.4, 0.3), [0.1, 0.3, 0.2, 0.4, 0.1 * np.sqrt(2.0)])


def test_rounding_matters_once_the_radius_nears_the_wave() -> None:
    low, high = rounding_factor(np.array([200.0, 6000.0]), 0.03)
    assert low == pytest.approx(1.0, abs=0.001)
    assert high < 0.7
