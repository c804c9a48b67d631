"""Digits: the numbers that a written coordinate becomes by one other digit, or one lost. No rule of its own."""

import math

_POINT_MM = 0.002  # two rounded coordinates


def digit_step(moved_mm: float) -> float:
    """Give how far the values lie apart that a number becomes by one other digit, as far from it as that."""
    return 0.1 if moved_mm < 0.95 else 1.0 if moved_mm < 9.5 else 10.0


def ends_of(start: list[float], end: list[float], length: float, axis: int) -> list[float]:
    """Give the coordinates on one axis that make a stroke that long, its other coordinate unchanged."""
    across = end[1 - axis] - start[1 - axis]
    reach = length**2 - across**2
    if reach < 0:
        return []
    return [start[axis] - reach**0.5, start[axis] + reach**0.5]


def other_by_a_digit(there: float, wanted: float, tolerance: float) -> list[float]:
    """Give the values near the wanted one that the written value becomes by one other digit, or one digit more."""
    off = abs(wanted - there)
    if off > 1 + tolerance and abs(off - round(off)) > tolerance + _POINT_MM:
        return []  # a digit before the point changes a value by whole millimetres
    whole, _, rest = f"{abs(there):.3f}".partition(".")
    sign = -1 if there < 0 else 1
    found = []
    for power in (0.1, 1.0, 10.0, 100.0):
        steps = round((wanted - there) / power)
        if 0 < abs(steps) < 10:
            found.append(there + steps * power)
    meant = abs(wanted)
    for digit, at in sorted(_digits_between(whole, rest, meant - tolerance, meant + tolerance)):
        text = f"{whole}.{digit}{rest}" if at > len(whole) else f"{whole[:at]}{digit}{whole[at:]}.{rest}"
        found.append(sign * float(text))
    return [value for value in dict.fromkeys(found) if abs(value - wanted) < tolerance]


def _digits_between(whole: str, rest: str, low: float, high: float) -> list[tuple[int, int]]:
    """Give digits and the places to put one more of them in, that make a number between two values.

    Place 0 is before the first digit; the one behind the last of ``whole`` is the first after the point.
    """
    found = []
    for at in range(len(whole) + 2):
        if at > len(whole):
            base, power = float(f"{whole}.0{rest}"), 0.1
        else:
            base, power = float(f"{whole[:at]}0{whole[at:]}.{rest}"), 10.0 ** (len(whole) - at)
        # One more on each side, for what rounding may hide: the caller looks at the number itself.
        first, last = math.floor((low - base) / power), math.ceil((high - base) / power)
        found += [(digit, at) for digit in range(max(0, first), min(9, last) + 1)]
    return found
