"""The air as text: temperature, pressure, humidity, and the wavelength that a distance meter uses, to SI."""

from __future__ import annotations

import math
import re

from hubtack.io.units import Unreadable, quoted

PASCAL = {
    "hPa": 100.0, "mbar": 100.0, "mb": 100.0, "kPa": 1000.0, "Pa": 1.0,
    "mmHg": 133.322, "inHg": 3386.39,  # conventional, from memory
}  # fmt: skip


def parse_temperature(text: str) -> float:
    """`21.5` or `21.5 degC`, `70 degF`, `294 K` → K."""
    plain = _plain(text)
    match = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(?:(degC|°C|C|degF|°F|F|K))?", plain, re.ASCII)
    if match is None:
        raise Unreadable(f"{quoted(text)} is not a temperature", 'Write "21.5 degC", or 21.5.')
    value, unit = float(match[1]), (match[2] or "C")[-1]
    kelvin = value if unit == "K" else value + 273.15 if unit == "C" else (value - 32.0) / 1.8 + 273.15
    if not 213.15 <= kelvin <= 333.15:
        raise Unreadable(
            f"{quoted(text)} is no temperature to measure in", "It lies between -60 and 60 degC."
        )
    return kelvin


def parse_pressure(text: str) -> float:
    """`967.2` or `967.2 hPa`, `725 mmHg`, `28.5 inHg` → Pa."""
    plain = _plain(text)
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(hPa|mbar|mb|kPa|Pa|mmHg|inHg)?", plain, re.ASCII)
    if match is None:
        raise Unreadable(f"{quoted(text)} is not a pressure", 'Write "967.2 hPa", or 967.2.')
    pascal = float(match[1]) * PASCAL[match[2] or "hPa"]
    if not 3e4 <= pascal <= 1.1e5:
        raise Unreadable(f"{quoted(text)} is no pressure of the air", "It lies between 300 and 1100 hPa.")
    return pascal


def parse_humidity(text: str) -> float:
    """`40` or `40 %` → 0.4."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*%?", _plain(text), re.ASCII)
    if match is None or not 0.0 <= float(match[1]) <= 100.0:
        raise Unreadable(f"{quoted(text)} is not a relative humidity", 'Write "40 %", or 40.')
    return float(match[1]) / 100.0


def parse_air(text: str) -> tuple[float, float, float]:
    """`12 degC, 1013.25 hPa, 60 %` → (285.15 K, 101 325 Pa, 0.6); without the last part its humidity is NaN."""
    parts = [p.strip() for p in text.split(",")]
    if len(parts) not in (2, 3):
        raise Unreadable(f"{quoted(text)} does not say what air it is", 'Write "12 degC, 1013.25 hPa, 60 %".')
    humidity = parse_humidity(parts[2]) if len(parts) == 3 else math.nan
    return parse_temperature(parts[0]), parse_pressure(parts[1]), humidity


def parse_wavelength(text: str) -> float:
    """`658 nm` or `0.658 um` → m."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(nm|um|µm|μm)", _plain(text))
    metres = float(match[1]) * (1e-9 if match[2] == "nm" else 1e-6) if match else math.nan
    if not 3e-7 <= metres <= 2e-6:
        raise Unreadable(f"{quoted(text)} is no wavelength of a distance meter", 'Write "658 nm".')
    return metres


def _plain(text: str) -> str:
    return text.strip().replace("−", "-").replace("\u00a0", " ")
