"""Fixed-point arithmetic that stays inside 31-bit small integers.

Times in the core are sixteenths of a millisecond (suffix 16 or t16), rates are newtons a millisecond times
sixteen (suffix r16): force over a time is r16 * t16 / 256.
"""


def mulq(a, x):
    """a * x / 65536 rounded to nearest; |a| < 2**22, |x| < 2**16. No intermediate leaves 31 bits."""
    return (a * (x >> 8) + ((a * (x & 255) + 32768) >> 8)) >> 8


def clamp(value, low, high):
    if value < low:
        return low
    if value > high:
        return high
    return value


def force_over(r16, t16):
    """Newtons gained at rate r16 in time t16; times beyond a quarter second are cut there (31 bits)."""
    if t16 > 4000:
        t16 = 4000
    elif t16 < -4000:
        t16 = -4000
    if r16 > 260000:
        r16 = 260000
    return (r16 * t16) >> 8


def time_for(force_n, r16):
    """Time t16 in which rate r16 gains force_n; the inverse of force_over."""
    if r16 < 1:
        r16 = 1
    if force_n > 4000000:
        force_n = 4000000
    elif force_n < -4000000:
        force_n = -4000000
    return (force_n << 8) // r16


def share_of(value, ppt):
    """So many thousandths of a value, 0 to 2**21 of each (31 bits)."""
    return value // 1000 * ppt + value % 1000 * ppt // 1000


def isqrt(value):
    """Integer square root (Newton's method, at most 16 rounds)."""
    if value < 2:
        return value if value > 0 else 0
    x = 1
    while x * x < value and x < 32768:
        x <<= 1
    for _ in range(16):
        y = (x + value // x) >> 1
        if y >= x:
            return x
        x = y
    return x


def abs_of(value):
    return value if value >= 0 else -value
