"""Text to SI and back. Expected values are arithmetic done by hand, or the definition of the unit."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hubtack.io import units
from hubtack.io.units import AngleName, LengthName, Units, Unreadable

METRE = {"m": Fraction(1), "ft": Fraction("0.3048"), "us-ft": Fraction(1200, 3937)}
ALL_LENGTHS: tuple[LengthName, ...] = ("m", "ft", "us-ft")
ALL_ANGLES: tuple[AngleName, ...] = ("dms", "deg", "gon")


@pytest.mark.parametrize(
    ("unit", "text", "metres"),
    [
        ("m", "1.532", Fraction("1.532")),
        ("m", "-0.25", Fraction("-0.25")),
        ("m", "1e3", Fraction(1000)),
        ("m", ".5", Fraction("0.5")),
        ("m", "1.5 mm", Fraction("0.0015")),
        ("m", "3cm", Fraction("0.03")),
        ("m", "5.02 ft", Fraction("5.02") * METRE["ft"]),
        ("m", "12 us-ft", 12 * METRE["us-ft"]),
        ("m", "10 in", Fraction("0.254")),
        ("m", "0.4 km", Fraction(400)),
        ("m", "−1.5", Fraction("-1.5")),
        ("ft", "5.02", Fraction("5.02") * METRE["ft"]),
        ("us-ft", "1000000", 1_000_000 * METRE["us-ft"]),
        ("us-ft", "2 m", Fraction(2)),
    ],
)
def test_length_cells(unit: LengthName, text: str, metres: Fraction) -> None:
    assert Units(unit).parse_length(text) == pytest.approx(float(metres), rel=1e-15)


def test_the_two_feet_differ_by_two_parts_in_a_million() -> None:
    """2.000004 ft in 1 000 000 ft."""
    apart = Units("us-ft").parse_length("1000000") - Units("ft").parse_length("1000000")
    assert apart / 0.3048 == pytest.approx(2.000004, abs=1e-6)


@pytest.mark.parametrize(
    ("unit", "text", "seconds"),
    [
        ("dms", "123-45-06.7", Fraction("445506.7")),
        ("dms", "123 45 06.7", Fraction("445506.7")),
        ("dms", "123°45'06.7\"", Fraction("445506.7")),
        ("dms", "123°45′06.7″", Fraction("445506.7")),
        ("dms", "123° 45' 06.7''", Fraction("445506.7")),
        ("dms", "-0-00-05", Fraction(-5)),
        ("dms", "-0°00'05\"", Fraction(-5)),
        ("dms", "−12-30-00", Fraction(-45000)),
        ("dms", "+1-02-03", Fraction(3723)),
        ("dms", "90", Fraction(324000)),
        ("dms", "90-30", Fraction(325800)),
        ("dms", "123  45  06.7", Fraction("445506.7")),
        ("dms", "12.5 deg", Fraction(45000)),
        ("dms", "100 gon", Fraction(324000)),
        ("dms", "40 arcmin", Fraction(2400)),
        ("dms", "3″", Fraction(3)),
        ("deg", "123.75", Fraction(445500)),
        ("deg", "123°45'00\"", Fraction(445500)),
        ("deg", "0.5 mgon", Fraction("1.62")),
        ("gon", "137.5", Fraction(445500)),
        ("gon", "-0.0001", Fraction("-0.324")),
        ("gon", "3 arcsec", Fraction(3)),
    ],
)
def test_angle_cells(unit: AngleName, text: str, seconds: Fraction) -> None:
    found = Units(angle=unit).parse_angle(text)
    assert found == pytest.approx(float(seconds) * math.pi / 648000, rel=2e-15)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1,532", "Write 1.532: the decimal mark is a point."),
        ("-1,5 mm", "Write -1.5 mm: the decimal mark is a point."),
        ("1,234.5", "Write 1234.5: thousands are not parted."),
        ("12 345.6", "Write 12345.6: thousands are not parted."),
        ("1.234,5", "Write 1234.5: the decimal mark is a point."),
        ("nan", "blank"),
        ("-inf", "blank"),
        ("1e400", "size"),
        ("1_000", "Write"),
        ("five", "Write a number such as 1.532."),
        ("1.5 furlong", "Known are m, mm"),
        ("5' 2\"", "feet with decimals"),
        ("1.5.2", "Write"),
        ("٣", "Write"),
        ("0x10", "Write"),
        ("1.5 mm mm", "Write"),
        ("1e999 mm", "plain number"),
    ],
)
def test_what_is_no_length(text: str, wanted: str) -> None:
    with pytest.raises(Unreadable) as caught:
        Units().parse_length(text)
    assert wanted in caught.value.wanted
    assert text[:30] in caught.value.found


@pytest.mark.parametrize(
    ("unit", "text", "wanted"),
    [
        ("dms", "123-60-00", "below 60"),
        ("dms", "123-45-60.0", "below 60"),
        ("dms", "123°75'00\"", "below 60"),
        ("dms", "123.4506", "123.4506 deg"),
        ("dms", "123-45-06,7", "Write"),
        ("dms", "east", "123-45-06.7"),
        ("dms", "1234-00-00", "Write"),
        ("dms", "123.5-30-00", "Write"),
        ("dms", "--5-00-00", "Write"),
        ("deg", "123-45-06", "123°45'06.7\""),
        ("gon", "123 45 06", "Write it in gon"),
        ("gon", "137,5", "137.5"),
        ("deg", "nan", "blank"),
        ("deg", "1e400", "size"),
        ("deg", "12 degrees", "Known are deg"),
    ],
)
def test_what_is_no_angle(unit: AngleName, text: str, wanted: str) -> None:
    with pytest.raises(Unreadable) as caught:
        Units(angle=unit).parse_angle(text)
    assert wanted in caught.value.wanted


def test_quantities_with_their_unit() -> None:
    assert units.parse_sigma_length("1.2 mm") == pytest.approx(0.0012)
    assert units.parse_sigma_angle("3 arcsec") == pytest.approx(math.radians(3 / 3600))
    assert units.parse_sigma_angle("0.5 mgon") == pytest.approx(math.radians(0.00045))
    assert units.parse_ratio("2 ppm") == pytest.approx(2e-6)
    assert units.parse_distance_sigma("1 mm + 1.5 ppm") == pytest.approx((0.001, 1.5e-6))
    assert units.parse_distance_sigma("1mm+1.5ppm") == pytest.approx((0.001, 1.5e-6))
    assert units.parse_distance_sigma("2 ppm + 0.003 ft") == pytest.approx((0.003 * 0.3048, 2e-6))
    assert units.parse_distance_sigma("2 mm") == pytest.approx((0.002, 0.0))


@pytest.mark.parametrize(
    ("parse", "text", "found"),
    [
        (units.parse_sigma_length, "1.2", "has no unit"),
        (units.parse_sigma_length, "-1.2 mm", "negative"),
        (units.parse_sigma_length, "3 arcsec", "no unit"),
        (units.parse_sigma_angle, "3", "has no unit"),
        (units.parse_sigma_angle, "-3 arcsec", "negative"),
        (units.parse_sigma_angle, "3 mm", "no unit"),
        (units.parse_ratio, "2", "not a ratio"),
        (units.parse_ratio, "2 mm", "not a ratio"),
        (units.parse_distance_sigma, "1 + 1.5", "not the sigma of a distance"),
        (units.parse_distance_sigma, "1 mm + 2 mm", "not the sigma of a distance"),
        (units.parse_distance_sigma, "1 mm + -2 ppm", "negative"),
        (units.parse_distance_sigma, "", "not the sigma of a distance"),
        (units.parse_length_quantity, "1e400 m", "too large"),
    ],
)
def test_quantities_that_are_none(parse: object, text: str, found: str) -> None:
    assert callable(parse)
    with pytest.raises(Unreadable, match=found):
        parse(text)


@given(st.sampled_from(ALL_LENGTHS), st.integers(-(10**10), 10**10), st.integers(0, 5))
def test_a_shown_length_reads_back(unit: LengthName, steps: int, decimals: int) -> None:
    """What is shown is the value rounded to its last place, and showing it again changes nothing."""
    u = Units(unit)
    metres = steps / 10**5 * float(METRE[unit])
    shown = u.show_length(metres, decimals)
    assert abs(u.parse_length(shown) - metres) <= (0.5 / 10**decimals + 1e-10) * float(METRE[unit])
    assert u.show_length(u.parse_length(shown), decimals) == shown
    assert not shown.startswith("-") or u.parse_length(shown) < 0


@given(st.sampled_from(ALL_ANGLES), st.floats(-7, 7), st.integers(0, 4))
def test_a_shown_angle_reads_back(unit: AngleName, radians: float, decimals: int) -> None:
    u = Units(angle=unit)
    shown = u.show_angle(radians, decimals)
    step = {"dms": math.pi / 648000, "deg": math.pi / 1.8e6, "gon": math.pi / 2e6}[unit] / 10**decimals
    assert abs(u.parse_angle(shown) - radians) <= step * 0.5001
    assert u.show_angle(u.parse_angle(shown), decimals) == shown
    assert not shown.startswith("-") or u.parse_angle(shown) < 0


@given(st.sampled_from(ALL_ANGLES), st.floats(-20, 20), st.integers(0, 3))
def test_an_azimuth_stays_within_its_turn(unit: AngleName, radians: float, decimals: int) -> None:
    u = Units(angle=unit)
    found = u.parse_angle(u.show_azimuth(radians, decimals))
    assert 0 <= found < 2 * math.pi - 1e-12
    assert math.cos(found - radians) == pytest.approx(1.0, abs=1e-9)


@given(st.integers(0, 359), st.integers(0, 59), st.integers(0, 5999))
def test_degrees_minutes_seconds_are_their_sum(d: int, m: int, hundredths: int) -> None:
    text = f"{d}-{m:02d}-{hundredths // 100:02d}.{hundredths % 100:02d}"
    exact = Fraction(d * 360000 + m * 6000 + hundredths, 100) / 648000
    assert Units().parse_angle(text) == pytest.approx(float(exact) * math.pi, rel=4e-16, abs=0)
    assert Units().show_angle(Units().parse_angle(text), 2) == text


@pytest.mark.parametrize(
    ("seconds", "decimals", "shown"),
    [
        (59.96, 1, "0-01-00.0"),
        (59.94, 1, "0-00-59.9"),
        (3599.96, 1, "1-00-00.0"),
        (-59.96, 1, "-0-01-00.0"),
        (-0.04, 1, "0-00-00.0"),
        (-5.0, 0, "-0-00-05"),
        (1295999.99, 1, "360-00-00.0"),
    ],
)
def test_seconds_carry(seconds: float, decimals: int, shown: str) -> None:
    assert Units().show_angle(seconds * math.pi / 648000, decimals) == shown


def test_an_azimuth_that_rounds_to_a_full_turn_is_zero() -> None:
    assert Units().show_azimuth(1295999.99 * math.pi / 648000, 1) == "0-00-00.0"
    assert Units(angle="gon").show_azimuth(2 * math.pi - 1e-9, 0) == "0.0000"


def test_what_is_undefined_is_blank() -> None:
    assert (
        Units().show_length(math.nan) == Units().show_angle(math.inf) == Units().show_azimuth(math.nan) == ""
    )


@pytest.mark.parametrize(
    ("unit", "sigma", "decimals"),
    [
        ("m", 0.00123, 4),
        ("m", 0.0123, 3),
        ("m", 0.00996, 3),
        ("m", 0.000012, 5),
        ("m", 1.5, 1),
        ("m", 250.0, 0),
        ("m", 0.0, 4),
        ("m", math.nan, 4),
        ("m", math.inf, 4),
        ("ft", 0.00123, 4),
        ("ft", 0.0000001, 4),
        ("ft", 0.00996 * 0.3048, 3),
    ],
)
def test_places_follow_the_sigma(unit: LengthName, sigma: float, decimals: int) -> None:
    assert Units(unit).decimals_for(sigma) == decimals


def test_small_quantities_carry_their_unit() -> None:
    assert Units("m").show_small_length(0.00123) == "1.2 mm"
    assert Units("ft").show_small_length(0.0123 * 0.3048) == "0.0123 ft"
    assert Units("m").show_small_length(-0.00001) == "0.0 mm"
    assert Units(angle="gon").show_small_angle(math.pi / 200_000 * 0.5) == "0.5 mgon"
    assert Units(angle="dms").show_small_angle(math.radians(3.14 / 3600)) == "3.1 arcsec"
    assert Units("us-ft").small_length_of(1200 / 3937) == pytest.approx(1000)
    assert Units("us-ft").small_length_name == "0.001 us-ft"


@given(st.text() | st.text("0123456789.,-+ eE°'\"′″mftgonarcsepdi", max_size=20), st.sampled_from(ALL_ANGLES))
def test_any_text_is_a_finite_number_or_told(text: str, angle: AngleName) -> None:
    """No other exception, no infinity and no NaN comes out of any parser."""
    u = Units("us-ft", angle)
    for parse in (
        u.parse_length,
        u.parse_angle,
        units.parse_number,
        units.parse_ratio,
        units.parse_sigma_length,
        units.parse_sigma_angle,
        lambda t: sum(units.parse_distance_sigma(t)),
    ):
        value: float = 0.0
        advice = ""
        try:
            value = parse(text)
        except Unreadable as error:
            advice = f"{error.found} {error.wanted}"
        assert math.isfinite(value)
        assert advice == advice.strip(), "both halves of a fault are there"


@pytest.mark.parametrize("text", ["-" + " " * 100_000 + "x", "1" * 100_000, "1 " * 50_000, "°" * 100_000])
def test_what_is_absurdly_long_is_told_at_once(text: str) -> None:
    """Searching it would take minutes."""
    for parse in (
        Units().parse_length,
        Units().parse_angle,
        units.parse_distance_sigma,
        units.parse_angle_quantity,
    ):
        with pytest.raises(Unreadable, match="characters long"):
            parse(text)
