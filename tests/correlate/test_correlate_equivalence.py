"""Equivalence against closed forms, the guide's worked figure, and its own promise of coverage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.correlate import FieldEvent, LaboratoryEvent, duration, effective_degrees, equivalence, statement
from washboard.errors import InputError

SLOPES = (3.0, 5.0)


def constant(value, n, channels=2):
    return np.full((n, channels, len(SLOPES)), float(value))


def case(field_damage, lab_damage, *, laps=100.0, done=10, planned=50, service=60e6, unit="m", channels=2):
    field = [FieldEvent(name="yard", damage=field_damage, laps=laps)]
    lab = [LaboratoryEvent(name="yard", damage=lab_damage, done=done, planned=planned, pass_s=60.0)]
    target = laps * field_damage.mean(axis=0)
    return equivalence(
        field, lab, channels=tuple(f"r{k}" for k in range(channels)), slopes=SLOPES, target=target, service=service,
        unit=unit, service_s=3.6e6,
    )  # fmt: skip


def test_without_scatter_the_equivalence_is_the_ratio_of_sums():
    # Palmgren-Miner: ten passes of twice a lap's damage are 20 of 100 laps, so 20 % of the service.
    found = case(constant(3.0, 4), constant(6.0, 10))
    assert found.done.value == pytest.approx(np.full((2, 2), 12e6))
    assert found.planned.value == pytest.approx(np.full((2, 2), 60e6))
    for service in (found.done, found.planned):
        assert service.low == pytest.approx(service.value)
        assert service.high == pytest.approx(service.value)
    assert found.compression == pytest.approx(3.6e6 / (50 * 60))
    assert found.rig_done_s == 600


@given(gain=st.floats(0.5, 2.0))
def test_a_gain_of_all_loads_scales_service_by_its_power(gain):
    rng = np.random.default_rng(1)
    field = rng.lognormal(0, 0.3, (4, 2, 2))
    lab = np.ones((10, 1, 1)) * field.mean(axis=0) * gain ** np.asarray(SLOPES)
    found = case(field, lab, done=10, planned=10)
    assert found.done.value == pytest.approx(np.tile(6e6 * gain ** np.asarray(SLOPES), (2, 1)), rel=1e-9)


def test_units_of_damage_do_not_matter():
    rng = np.random.default_rng(2)
    field, lab = rng.lognormal(0, 0.3, (4, 2, 2)), rng.lognormal(0, 0.1, (10, 2, 2))
    scale = np.array([[1e3**3, 1e3**5], [1e-6**3, 1e-6**5]])
    one, other = case(field, lab), case(field * scale, lab * scale)
    for name in ("value", "low", "high"):
        assert getattr(one.planned, name) == pytest.approx(getattr(other.planned, name), rel=1e-9)


def test_degrees_of_freedom_are_those_of_the_guides_example():
    # JCGM 100:2008 (GUM), G.4.1: relative uncertainties 0.25 %, 0.57 %, 0.82 % from 10, 5 and 15 observations give
    # 1.03 % with 19.0 effective degrees of freedom.
    parts = [np.array([0.25]), np.array([0.57]), np.array([0.82])]
    assert np.sqrt(sum(part**2 for part in parts)) == pytest.approx(1.03, abs=5e-3)
    assert effective_degrees(parts, [9, 4, 14], (1,)) == pytest.approx(19.0, abs=0.05)


@pytest.mark.parametrize(("n_laps", "n_passes", "done"), [(3, 3, 3), (4, 6, 6), (5, 4, 20)])
def test_the_interval_covers_the_true_value_as_often_as_it_says(n_laps, n_passes, done):
    # 90 % intervals of simulated tests with a known truth: two events, log-normal scatter of laps and passes.
    rng = np.random.default_rng(3)
    trials, inside = 400, 0
    laps = {"yard": 100.0, "ramp": 40.0}
    plays = {"yard": 4 * done, "ramp": 2 * done}
    mean = {"yard": 1.0, "ramp": 3.0}
    true_target = sum(laps[name] * mean[name] for name in laps)
    true_lab = sum(plays[name] * 1.1 * mean[name] for name in laps)
    for _ in range(trials):
        field = [
            FieldEvent(name=name, damage=_log_normal(rng, mean[name], 0.25, n_laps), laps=laps[name]) for name in laps
        ]
        lab = [
            LaboratoryEvent(
                name=name, damage=_log_normal(rng, 1.1 * mean[name], 0.1, n_passes), done=done, planned=plays[name],
                pass_s=1.0,
            )
            for name in laps
        ]  # fmt: skip
        target = np.sum([event.laps * event.damage.mean(axis=0) for event in field], axis=0)
        found = equivalence(
            field, lab, channels=("r",), slopes=(5.0,), target=target, service=1.0, unit="m", service_s=1.0
        )
        truth = true_lab / true_target
        inside += bool(found.planned.low[0, 0] <= truth <= found.planned.high[0, 0])
    # Binomial scatter of 400 trials is 1.5 %; few laps of a skewed law cost some coverage.
    assert 0.84 < inside / trials <= 0.99


def _log_normal(rng, mean, deviation, n):
    return mean * rng.lognormal(-(deviation**2) / 2, deviation, (n, 1, 1))


def test_more_laps_make_it_surer():
    rng = np.random.default_rng(4)
    lab = constant(1.0, 5)
    widths = []
    for n in (3, 30):
        found = case(rng.lognormal(0, 0.2, (n, 2, 2)), lab)
        widths.append(np.max(found.planned.high / found.planned.low))
    assert widths[1] < 0.6 * widths[0]


def test_single_laps_are_named_rather_than_taken_for_certain():
    found = case(constant(1.0, 1), constant(1.0, 3))
    assert found.single == ("yard",)
    assert "'yard'" in statement(found, (5.0, 5.0), ("r0",))


def test_the_statement_names_amounts_intervals_and_channels():
    field = constant(1.0, 4)
    field[:, 1] *= 2.0
    lab = constant(1.0, 10)
    found = case(field, lab)
    text = statement(found, (5.0, 3.0), ("r0", "r1"))
    assert "10 of 50 passes (10 min on the rig) equal 3,000 km" in text
    assert "'r1'" in text
    assert "6,000 km on the one that got most, 'r0'" in text
    assert "where 60,000 km were asked for" in text
    assert "1,200 times as fast" in text or "1.2e+03 times as fast" in text
    assert "8,000 h" in statement(case(field, lab, service=8000 * 3600.0, unit="s"), (5.0, 3.0), ("r0",))
    inside = statement(case(field, lab), (5.0, 3.0), ("r0", "r1"), {"r0": 0.02, "r1": 0.3})
    assert "30% of the service's damage on 'r1' lies outside it and is not in the test" in inside
    assert "reproduced band" not in statement(case(field, lab), (5.0, 3.0), ("r0",), {"r0": 0.02, "r1": 0.3})
    assert "No pass of 50" in statement(case(field, lab, done=0), (5.0, 3.0), ("r0",))


@pytest.mark.parametrize(
    ("seconds", "text"), [(42, "42 s"), (2520, "42 min"), (13 * 3600, "13 h"), (5.2 * 86400, "5.2 days")]
)
def test_durations_read_as_people_say_them(seconds, text):
    assert duration(seconds) == text


def test_what_does_not_fit_is_refused_by_name():
    with pytest.raises(InputError, match="event 'yard': damage has the shape"):
        case(constant(1.0, 4), constant(1.0, 3, channels=3))
    with pytest.raises(InputError, match="'kerb' was played in the laboratory but is not part"):
        equivalence(
            [FieldEvent(name="yard", damage=constant(1.0, 2), laps=1)],
            [LaboratoryEvent(name="kerb", damage=constant(1.0, 2), done=1, planned=1, pass_s=1.0)],
            channels=("a", "b"), slopes=SLOPES, target=np.ones((2, 2)), service=1.0, unit="m", service_s=1.0,
        )  # fmt: skip
