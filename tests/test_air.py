"""Air: published values, and laws between the functions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from twins import interpreted

from gcodetool import profiles
from gcodetool.errors import OutOfRangeError
from gcodetool.moisture import air

temperatures = st.floats(230.0, 420.0)
humidities = st.floats(0.01, 100.0)


# IAPWS SR1-86(1992): 20, 23, 40, 60, 80, 100 °C, to the printed digit.
@pytest.mark.parametrize(
    ("celsius", "pascal"), [(20, 2339), (23, 2811), (40, 7385), (60, 19947), (80, 47416), (100, 101418)]
)
def test_saturation_pressure_is_the_published_one(celsius, pascal):
    assert float(air.saturation_pressure(celsius + 273.15)) == pytest.approx(pascal, abs=1.0)


# Air of 23 °C and 50 % RH, heated; per cent RH, from an independent table.  Two of its figures are
# rounded up where IAPWS gives 14.648 and 7.046, hence 0.06 for 0.05.
HEATED = {
    40: 19.0,
    45: 14.7,
    50: 11.4,
    55: 8.9,
    60: 7.1,
    65: 5.6,
    70: 4.5,
    80: 3.0,
    90: 2.0,
    100: 1.4,
    120: 0.7,
}


@pytest.mark.parametrize(("celsius", "rh_pct"), HEATED.items())
def test_heated_room_air_has_the_tabled_humidity(celsius, rh_pct):
    heated = air.heated_air(celsius, float(air.vapour_pressure(296.15, 50.0)))
    assert heated.rh_pct == pytest.approx(rh_pct, abs=0.06)


@given(temperatures, humidities, st.floats(0.0, 100.0))
def test_heating_keeps_the_vapour_and_lowers_the_humidity(kelvin, rh_pct, warmer):
    vapour = float(air.vapour_pressure(kelvin, rh_pct))
    heated = air.heated_air(kelvin + warmer - 273.15, vapour)
    assert heated.vapour_Pa == pytest.approx(vapour)
    assert heated.rh_pct <= rh_pct * (1 + 1e-6)


@given(st.floats(231.0, 373.0))
def test_the_dew_point_of_saturated_air_is_its_temperature(kelvin):
    assert float(air.dew_point(air.saturation_pressure(kelvin))) == pytest.approx(kelvin, abs=2e-3)


@given(st.floats(air.LOWEST_K, air.CRITICAL_POINT_K))
def test_the_kernels_own_saturation_pressure_is_this_one(kelvin):
    kernel = interpreted("gcodetool.moisture.solver")
    assert kernel.saturation(kelvin) == pytest.approx(float(air.saturation_pressure(kelvin)), rel=1e-9)


@given(temperatures, st.floats(0.01, 50.0))
def test_saturation_rises_with_temperature_across_the_triple_point_too(kelvin, step):
    assert air.saturation_pressure(kelvin + step) > air.saturation_pressure(kelvin)
    assert float(air.saturation_pressure(273.16)) == pytest.approx(
        float(air.saturation_pressure(273.1599)), rel=1e-4
    )


def test_room_air_holds_what_the_handbook_says():
    room = air.room_air(23.0, 50.0)
    assert 1000 * float(air.vapour_density(room.temperature_K, room.vapour_Pa)) == pytest.approx(
        10.3, abs=0.05
    )
    assert room.rh_pct == pytest.approx(50.0)
    assert room.temperature_C == pytest.approx(23.0)
    assert air.vapour_diffusivity([298.15, 353.15]) == pytest.approx([2.5e-5, 3.4e-5], rel=0.02)


def test_what_is_out_of_range_is_named_and_nan_stays_nan():
    with pytest.raises(OutOfRangeError, match=r"temperature is 100 K, outside 213.15 to 647.096 K"):
        air.saturation_pressure(100.0)
    with pytest.raises(OutOfRangeError, match=r"relative humidity is 101 %, outside 0 to 100 %"):
        air.room_air(20.0, 101.0)
    with pytest.raises(OutOfRangeError, match="relative humidity is -1 %"):
        air.vapour_pressure(290.0, -1.0)
    assert math.isnan(float(air.saturation_pressure(math.nan)))
    assert math.isnan(float(air.dew_point(0.0)))
    assert air.saturation_pressure(np.full((2, 3), 300.0)).shape == (2, 3)


def test_desiccants_hold_more_in_wetter_air():
    for desiccant in map(air.desiccant, profiles.names("desiccants")):
        assert desiccant.rh_pct[0] == 0
        assert desiccant.rh_pct[-1] == 100
        assert (np.diff(desiccant.rh_pct) > 0).all()
        assert (np.diff(desiccant.content_wt_pct) > 0).all()
