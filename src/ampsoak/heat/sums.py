"""Copies; sums and largest values in several strands, so that no addition waits for the one before it; the order is fixed."""

from __future__ import annotations

from ampsoak.heat.compiling import inner


@inner
def total(values):
    """Sum."""
    whole = len(values) // 8 * 8
    s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
    for q in range(0, whole, 8):
        s0 += values[q]
        s1 += values[q + 1]
        s2 += values[q + 2]
        s3 += values[q + 3]
        s4 += values[q + 4]
        s5 += values[q + 5]
        s6 += values[q + 6]
        s7 += values[q + 7]
    for q in range(whole, len(values)):
        s0 += values[q]
    return ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))


@inner
def largest(values):
    """Largest size; what is no number is passed over."""
    whole = len(values) // 4 * 4
    m0 = m1 = m2 = m3 = 0.0
    for q in range(0, whole, 4):
        m0 = max(m0, abs(values[q]))
        m1 = max(m1, abs(values[q + 1]))
        m2 = max(m2, abs(values[q + 2]))
        m3 = max(m3, abs(values[q + 3]))
    for q in range(whole, len(values)):
        m0 = max(m0, abs(values[q]))
    return max(max(m0, m1), max(m2, m3))


@inner
def dot(one, other):
    """Sum of products."""
    whole = len(one) // 8 * 8
    s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
    for q in range(0, whole, 8):
        s0 += one[q] * other[q]
        s1 += one[q + 1] * other[q + 1]
        s2 += one[q + 2] * other[q + 2]
        s3 += one[q + 3] * other[q + 3]
        s4 += one[q + 4] * other[q + 4]
        s5 += one[q + 5] * other[q + 5]
        s6 += one[q + 6] * other[q + 6]
        s7 += one[q + 7] * other[q + 7]
    for q in range(whole, len(one)):
        s0 += one[q] * other[q]
    return ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))


@inner
def copy_to(target, values):
    """Fill ``target`` with as many of ``values``; assigning one array to another would need memory for the case that they overlap."""
    for q in range(len(target)):
        target[q] = values[q]
