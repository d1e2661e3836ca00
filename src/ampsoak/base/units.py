"""Values with their units: text such as ``"89 mm"`` to a float in SI, with a closed list of units per dimension.

A temperature and a temperature *difference* are different dimensions: ``"25 degC"`` is 298.15 K as a temperature and an
error as a difference. American wire gauge sizes stand for the diameter or the area of the solid wire. Factors come
from pint, kept behind this module, loaded on first use and only with the few definitions below; every conversion is
exact (fractions) until the last rounding to a float, so ``"12.7 mm"`` and ``"0.5 in"`` are the same number.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from ampsoak.base.errors import UsageError, nearest_name

# International yard and pound agreement of 1959, SI brochure, International Steam Table Btu: exact by definition.
DEFINITIONS = """
metre = [length]
second = [time]
ampere = [current]
kilogram = [mass]
kelvin = [temperature]; offset: 0
mole = [substance]
radian = []
minute = 60 * second
hour = 60 * minute
day = 24 * hour
inch = 254 / 10000 * metre
foot = 12 * inch
mil = inch / 1000
circular_mil = 3.141592653589793 / 4 * mil ** 2
gram = kilogram / 1000
pound = 45359237 / 100000000 * kilogram
joule = kilogram * metre ** 2 / second ** 2
watt = joule / second
volt = watt / ampere
ohm = volt / ampere
btu = 105505585262 / 100000000 * joule
degree = 3.141592653589793 / 180 * radian
percent = 1 / 100 * radian
degree_Celsius = kelvin; offset: 27315 / 100
degree_Fahrenheit = 5 / 9 * kelvin; offset: 45967 / 180
""".strip().splitlines()

# symbol -> (pint name, factor)
SYMBOLS = {
    "m": ("metre", Fraction(1)),
    "km": ("metre", Fraction(1000)),
    "cm": ("metre", Fraction(1, 100)),
    "mm": ("metre", Fraction(1, 1000)),
    "um": ("metre", Fraction(1, 10**6)),
    "in": ("inch", Fraction(1)),
    "ft": ("foot", Fraction(1)),
    "kft": ("foot", Fraction(1000)),
    "mil": ("mil", Fraction(1)),
    "cmil": ("circular_mil", Fraction(1)),
    "kcmil": ("circular_mil", Fraction(1000)),
    "s": ("second", Fraction(1)),
    "ms": ("second", Fraction(1, 1000)),
    "min": ("minute", Fraction(1)),
    "h": ("hour", Fraction(1)),
    "day": ("day", Fraction(1)),
    "A": ("ampere", Fraction(1)),
    "mA": ("ampere", Fraction(1, 1000)),
    "kA": ("ampere", Fraction(1000)),
    "V": ("volt", Fraction(1)),
    "mV": ("volt", Fraction(1, 1000)),
    "kV": ("volt", Fraction(1000)),
    "W": ("watt", Fraction(1)),
    "mW": ("watt", Fraction(1, 1000)),
    "kW": ("watt", Fraction(1000)),
    "MW": ("watt", Fraction(10**6)),
    "J": ("joule", Fraction(1)),
    "kJ": ("joule", Fraction(1000)),
    "MJ": ("joule", Fraction(10**6)),
    "Btu": ("btu", Fraction(1)),
    "ohm": ("ohm", Fraction(1)),
    "mohm": ("ohm", Fraction(1, 1000)),
    "uohm": ("ohm", Fraction(1, 10**6)),
    "nohm": ("ohm", Fraction(1, 10**9)),
    "kg": ("kilogram", Fraction(1)),
    "g": ("gram", Fraction(1)),
    "lb": ("pound", Fraction(1)),
    "deg": ("degree", Fraction(1)),
    "rad": ("radian", Fraction(1)),
    "%": ("percent", Fraction(1)),
    "mol": ("mole", Fraction(1)),
    "K": ("kelvin", Fraction(1)),
    "degC": ("degree_Celsius", Fraction(1)),
    "degF": ("degree_Fahrenheit", Fraction(1)),
    "delta_degC": ("delta_degree_Celsius", Fraction(1)),
    "delta_degF": ("delta_degree_Fahrenheit", Fraction(1)),
    "AWG": ("", Fraction(1)),
}

ALIASES = {
    **dict.fromkeys(("metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("inch", "inches"), "in"),
    **dict.fromkeys(("foot", "feet"), "ft"),
    **dict.fromkeys(("mils", "thou"), "mil"),
    **dict.fromkeys(("micron", "microns"), "um"),
    **dict.fromkeys(("MCM", "kCmil"), "kcmil"),
    **dict.fromkeys(("sec", "second", "seconds"), "s"),
    **dict.fromkeys(("minute", "minutes"), "min"),
    **dict.fromkeys(("hour", "hours", "hr"), "h"),
    **dict.fromkeys(("days", "d"), "day"),
    **dict.fromkeys(("amp", "amps", "ampere", "amperes"), "A"),
    **dict.fromkeys(("Ohm", "ohms", "Ohms"), "ohm"),
    **dict.fromkeys(("BTU", "btu"), "Btu"),
    **dict.fromkeys(("awg",), "AWG"),
    **dict.fromkeys(("degree", "degrees"), "deg"),
    **dict.fromkeys(("kelvin",), "K"),
    **dict.fromkeys(("celsius", "degc"), "degC"),
    **dict.fromkeys(("fahrenheit", "degf"), "degF"),
    **dict.fromkeys(("deltadegC",), "delta_degC"),
    **dict.fromkeys(("deltadegF",), "delta_degF"),
}


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity and the units in which it may be written.

    Parameters
    ----------
    words : str              how messages call it, with its article
    si : str                 unit of the returned float, as written into run files
    units : tuple of str     every unit allowed, the usual one first
    example : str            a value as it could stand in a scenario
    """

    words: str
    si: str
    units: tuple[str, ...]
    example: str


DIMENSIONS = {
    "number": Dimension("a plain number", "1", (), "0.9"),
    "temperature": Dimension("a temperature", "K", ("degC", "degF", "K"), "75 degC"),
    "temperature_difference": Dimension("a temperature difference", "K", ("K", "delta_degC", "delta_degF"), "5 K"),
    "length": Dimension("a length", "m", ("mm", "cm", "m", "um", "in", "ft", "mil"), "89 mm"),
    "wire_diameter": Dimension("a wire diameter", "m", ("mm", "um", "in", "mil", "AWG"), "1.63 mm"),
    "area": Dimension("an area", "m2", ("mm2", "cm2", "m2", "in2", "kcmil", "cmil", "AWG"), "2.5 mm2"),
    "current": Dimension("a current", "A", ("A", "mA", "kA"), "16 A"),
    "time": Dimension("a time", "s", ("s", "ms", "min", "h", "day"), "20 min"),
    "power": Dimension("a power", "W", ("W", "kW", "mW"), "2 kW"),
    "voltage": Dimension("a voltage", "V", ("V", "mV", "kV"), "230 V"),
    "angle": Dimension("an angle", "rad", ("deg", "rad"), "90 deg"),
    "resistance_per_length": Dimension(
        "a resistance per length",
        "ohm m-1",
        ("ohm/km", "ohm/m", "mohm/m", "uohm/m", "ohm/kft", "ohm/ft"),
        "7.41 ohm/km",
    ),
    "resistivity": Dimension("a resistivity", "ohm m", ("ohm.m", "nohm.m", "uohm.cm", "ohm.mm2/m"), "17.24 nohm.m"),
    "per_kelvin": Dimension("a relative change per kelvin", "K-1", ("1/K", "%/K"), "0.00393 1/K"),
    "conductivity": Dimension(
        "a thermal conductivity", "W m-1 K-1", ("W/m/K", "mW/m/K", "Btu.in/h/ft2/degF", "Btu/h/ft/degF"), "0.04 W/m/K"
    ),
    "specific_heat": Dimension(
        "a specific heat", "J kg-1 K-1", ("J/kg/K", "kJ/kg/K", "J/g/K", "Btu/lb/degF"), "840 J/kg/K"
    ),
    "volumetric_heat_capacity": Dimension(
        "a heat capacity per volume", "J m-3 K-1", ("J/m3/K", "kJ/m3/K", "MJ/m3/K", "J/cm3/K"), "3.45 MJ/m3/K"
    ),
    "density": Dimension("a density", "kg m-3", ("kg/m3", "g/cm3", "lb/ft3"), "12 kg/m3"),
    "heat_per_mass": Dimension("a heat per mass", "J kg-1", ("J/kg", "kJ/kg", "MJ/kg", "J/g"), "485 kJ/kg"),
    "molar_energy": Dimension("an energy per amount", "J mol-1", ("kJ/mol", "J/mol"), "150 kJ/mol"),
    "rate": Dimension("a rate", "s-1", ("1/s", "1/min", "1/h"), "1e13 1/s"),
    "heat_flux": Dimension("a heat flux", "W m-2", ("W/m2", "kW/m2"), "100 W/m2"),
    "heat_per_length": Dimension("a heat per length", "W m-1", ("W/m", "kW/m", "mW/m", "W/ft"), "5 W/m"),
    "heat_per_volume": Dimension("a heat per volume", "W m-3", ("W/m3", "kW/m3", "MW/m3"), "2 kW/m3"),
    "film_coefficient": Dimension("a film coefficient", "W m-2 K-1", ("W/m2/K", "Btu/h/ft2/degF"), "8 W/m2/K"),
    "surface_resistance": Dimension(
        "a thermal surface resistance", "m2 K W-1", ("m2.K/W", "ft2.degF.h/Btu"), "0.13 m2.K/W"
    ),
    "adiabatic_constant": Dimension(
        "an adiabatic constant k", "A s0.5 m-2", ("A.s0.5/mm2", "A.s0.5/m2"), "115 A.s0.5/mm2"
    ),
    # no kA2.s: it is printed for thousands of A²s as well as for (kA)²s
    "let_through_energy": Dimension("a let-through I²t", "A2 s", ("A2.s",), "45000 A2.s"),
    "fibre_solid": Dimension("a solid conduction term", "W m2 kg-1 K-1", ("W.m2/kg/K",), "5.5e-5 W.m2/kg/K"),
    "fibre_radiation": Dimension("a fibre radiation term", "W kg m-4 K-1", ("W.kg/m4/K",), "0.196 W.kg/m4/K"),
}

_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*")
_SUPERSCRIPTS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_TOKEN = re.compile(r"\s*(?:([()./*])|((?:delta_)?[A-Za-z%]+)(-?\d+(?:\.\d+)?)?|(1)(?![\d.]))")
_SMALLEST, _LARGEST = 1e-200, 1e200


class QuantityError(UsageError):
    """A value that cannot be read: ``message`` says what is allowed, ``nearest`` is a unit close to the one written."""

    def __init__(self, message: str, nearest: str | None = None):
        self.message, self.nearest = message, nearest
        super().__init__(message + (f'; did you mean "{nearest}"?' if nearest else ""))


def quantity(text, dimension: str) -> float:
    """Return ``text`` (a number and its unit) in SI.

    Parameters
    ----------
    text : str          such as ``"89 mm"``, ``"75 degF"``, ``"14 AWG"``; an int or float only where ``dimension`` is
                        "number"
    dimension : str     key of ``DIMENSIONS``

    Returns
    -------
    float               in the SI unit of the dimension (``DIMENSIONS[dimension].si``); radians for angles

    Raises
    ------
    QuantityError       no number, no unit, a unit of another dimension, a decimal comma, or not finite
    """
    kind = DIMENSIONS[dimension]
    if dimension == "number":
        return _plain_number(text)
    if isinstance(text, bool) or not isinstance(text, str):
        shown = text if isinstance(text, int | float) and not isinstance(text, bool) else ""
        example = f'"{shown:g} {kind.units[0]}"' if shown != "" and math.isfinite(shown) else f'"{kind.example}"'
        raise QuantityError(f"{kind.words} is written as text with its unit, for example {example}; {_allowed(kind)}")
    gauge = _gauge_diameter(text)
    if gauge is not None and "AWG" in kind.units:
        return float(gauge) if dimension == "wire_diameter" else math.pi * float(gauge) ** 2 / 4
    number, unit = _split(text, kind)
    factor, offset = _conversion(_known_unit(unit, dimension), dimension)
    value = float(number * factor + offset)
    if not math.isfinite(value) or (dimension == "temperature" and value < 0):
        raise QuantityError("temperatures start at 0 K (-273.15 degC)" if value < 0 else "is not a finite number")
    return value


def gauge_diameter(size: str) -> float:
    """Return the diameter [m] of a solid American-wire-gauge conductor: d = 0.005 in x 92^((36 - n)/39).

    Parameters
    ----------
    size : str      ``"14 AWG"``, ``"4/0 AWG"``; 4/0 to 40

    Raises
    ------
    QuantityError   not such a size

    Source
    ------
    ASTM B258 (definition, from memory, high confidence); worked example: 14 AWG is 0.0641 in = 1.628 mm.
    """
    diameter = _gauge_diameter(size)
    if diameter is None:
        raise QuantityError('a wire gauge is written like "14 AWG" or "2/0 AWG"')
    return float(diameter)


def describe(value: float, dimension: str) -> str:
    """Return ``value`` [SI] as short text in the usual unit of its dimension: 348.15 K as ``75 °C``.

    Parameters
    ----------
    value : float       [SI]
    dimension : str     key of ``DIMENSIONS``
    """
    if dimension == "number":
        return f"{value:.6g}"
    unit = DIMENSIONS[dimension].units[0]
    if dimension == "time":
        unit = next((symbol for symbol, least in (("h", 7200.0), ("min", 120.0)) if value >= least), "s")
    factor, offset = _conversion(unit, dimension)
    shown = (value - float(offset)) / float(factor)
    return f"{shown:.6g} {'°C' if unit == 'degC' else unit}"


def _plain_number(value) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise QuantityError("must be a plain number without unit or quotes, for example 0.9")
    if not math.isfinite(value):
        raise QuantityError("must be a finite number, not nan or inf")
    return float(value)


def _allowed(kind: Dimension) -> str:
    return f"units allowed: {', '.join(kind.units)}"


def _gauge_diameter(text: str) -> float | None:
    """Diameter [m] of an AWG text, None when the text is not an AWG size."""
    match = re.fullmatch(r"\s*(?:(\d+)(/0)?\s*awg|awg\s*(\d+)(/0)?)\s*", text, re.IGNORECASE)
    if match is None:
        if re.search(r"awg\s*$", text, re.IGNORECASE):
            raise QuantityError('a wire gauge is a whole number, written like "14 AWG" or "2/0 AWG"')
        return None
    digits, noughts = match[1] or match[3], match[2] or match[4]
    count = int(digits[:6])
    if (noughts and not 1 <= count <= 4) or count > 40 or len(digits) > 6:
        raise QuantityError("wire gauges run from 4/0 AWG (largest) to 40 AWG (smallest)")
    number = 1 - count if noughts else count
    return 0.005 * 0.0254 * 92 ** ((36 - number) / 39)


def _split(text: str, kind: Dimension) -> tuple[Fraction, str]:
    """Return the number and the unit of ``text``, with the commonest slips answered in words."""
    if kind.si == "m2 K W-1":
        if re.fullmatch(r"\s*[Rr]-?\s*\d+(\.\d+)?\s*", text):
            raise QuantityError('an R-value needs its unit: "13 ft2.degF.h/Btu" or "2.3 m2.K/W"')
        text = re.sub(r"^\s*[Rr]-?(?=\d)", "", text)
    match = _NUMBER.match(text)
    if match is None:
        if re.match(r"\s*[+-]?(nan|inf)", text, re.IGNORECASE):
            raise QuantityError("must be a finite number, not nan or inf")
        raise QuantityError(f'must start with a number, for example "{kind.example}"')
    rest = text[match.end() :]
    if re.match(r",\s*\d", rest):
        raise QuantityError(f'a comma cannot stand in a number; write a decimal point: "{kind.example}"')
    if not rest.strip():
        raise QuantityError(f'{kind.words} needs its unit, for example "{match[1]} {kind.units[0]}"; {_allowed(kind)}')
    size = abs(float(match[1]))
    if size != 0 and not _SMALLEST < size < _LARGEST:
        raise QuantityError("is far outside any physical range")
    return (Fraction(match[1]) if size else Fraction(0)), rest.strip()


def _known_unit(unit: str, dimension: str) -> str:
    """Return the listed spelling of ``unit``, or raise saying what it is and what is allowed."""
    kind = DIMENSIONS[dimension]
    readings = _readings(unit)
    table = _unit_keys(dimension)
    for reading in readings:
        if reading in table:
            return table[reading]
    if dimension == "temperature" and unit.startswith(("delta", "Δ")):
        raise QuantityError(
            'is a temperature difference, but a temperature is wanted here: "25 degC", "77 degF" or "298 K"'
        )
    if dimension == "temperature_difference" and readings and readings[0] in _unit_keys("temperature"):
        symbol = _unit_keys("temperature")[readings[0]]
        raise QuantityError(
            f'is a temperature, but a temperature difference is wanted here: "5 K" or "5 delta_{symbol}"'
        )
    others = [
        other.words
        for name, other in DIMENSIONS.items()
        if other.si != kind.si and any(reading in _unit_keys(name) for reading in readings)
    ]
    if others:
        raise QuantityError(f'"{unit}" is the unit of {others[0]}, but {kind.words} is wanted here; {_allowed(kind)}')
    nearest = nearest_name(unit, kind.units)
    if nearest is None and dimension == "temperature" and unit in ("C", "F"):
        nearest = "deg" + unit
    raise QuantityError(f'"{unit}" is not a unit of {kind.words.split(" ", 1)[1]}; {_allowed(kind)}', nearest)


@lru_cache(maxsize=256)
def _readings(unit: str) -> list[frozenset]:
    """Return the canonical forms of a unit text: left to right, and with everything after the first "/" below the line.

    ``W/m2.K`` and ``W/m2K`` are written for W/(m2 K); the closed lists leave no doubt which reading is meant.
    """
    text = unit.translate(_SUPERSCRIPTS)
    for old, new in (
        ("μ", "u"), ("µ", "u"), ("Ω", "ohm"), ("Ω", "ohm"), ("℃", "degC"), ("℉", "degF"), ("Δ", "delta_"),
        ("**", ""), ("^", ""), ("·", "."), ("⋅", "."), ("×", "."), ("−", "-"),
    ):  # fmt: skip
        text = text.replace(old, new)
    text = re.sub(r"°\s*([CF])\b", r"deg\1", text).replace("°", "deg")
    text = re.sub(r"\bdeg[_ ]([CF])\b", r"deg\1", text)
    found = [_parsed(text, sticky) for sticky in (False, True)]
    return [form for form in found if form is not None]


def _parsed(text: str, sticky: bool) -> frozenset | None:
    """Return {(symbol, exponent), ...} of a unit text, None when it is not one; ``sticky`` keeps "/" in force."""
    exponents: dict[str, Fraction] = {}
    position, sign, stack = 0, 1, [1]
    while position < len(text):
        match = _TOKEN.match(text, position)
        if match is None:
            return None if text[position:].strip() else frozenset(exponents.items())
        position = match.end()
        mark, name, power, _ = match.groups()
        if mark == "/":
            sign = -1
        elif mark == "(":
            stack.append(stack[-1] * sign)
            sign = 1
        elif mark == ")":
            if len(stack) == 1:
                return None
            stack.pop()
            sign = 1
        elif name:
            symbol = ALIASES.get(name, name)
            if symbol not in SYMBOLS:
                return None
            exponents[symbol] = exponents.get(symbol, Fraction(0)) + stack[-1] * sign * Fraction(power or 1)
            sign = sign if sticky else 1
    return frozenset((symbol, power) for symbol, power in exponents.items() if power)


@lru_cache(maxsize=64)
def _unit_keys(dimension: str) -> dict[frozenset, str]:
    return {_parsed(unit, False): unit for unit in DIMENSIONS[dimension].units if unit != "AWG"}


@lru_cache(maxsize=1)
def _registry():
    import pint  # a quarter of a second: only once something is to be converted

    return pint.UnitRegistry(DEFINITIONS, non_int_type=Fraction, cache_folder=None)


@lru_cache(maxsize=256)
def _conversion(unit: str, dimension: str) -> tuple[Fraction, Fraction]:
    """Return (factor, offset) so that SI = number x factor + offset, both exact."""
    if dimension == "temperature":
        zero, one = (_registry().Quantity(Fraction(n), SYMBOLS[unit][0]).to("kelvin").magnitude for n in (0, 1))
        return one - zero, zero
    factor = Fraction(1)
    for symbol, power in _parsed(unit, False):
        name, scale = SYMBOLS[symbol]
        name = f"delta_{name}" if name in ("degree_Celsius", "degree_Fahrenheit") else name
        one = scale * Fraction(_registry().Quantity(Fraction(1), name).to_root_units().magnitude)
        # only the square root of a second is ever raised to a fraction, and its factor is 1
        factor *= one**power if power.denominator == 1 else Fraction(float(one) ** float(power))
    return factor, Fraction(0)
