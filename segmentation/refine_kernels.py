"""Compiled loops that fit the blurred layers to a profile: soft tissue, cortex, inner bone, and a neighbour.

The model is y(s) = c(1 − A) + a(A − P) + h(P − Q) + bQ, where A, P and Q are blurred steps at the neighbour's
edge, the bone's edge and the inner border. It is fitted by Levenberg and Marquardt's method with soft
constants (means and deviations) for some of its numbers. A plain NumPy twin stands in tests/test_refine.py.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

from segmentation.profile_kernels import BINS_COUNT, START_COUNT, half_maximum, packed

EDGE, THICKNESS, CORTEX, OUTSIDE, INSIDE, BLUR, GAP, NEIGHBOUR = 0, 1, 2, 3, 4, 5, 6, 7
"""Places of the model's numbers: mm, mm, HU, HU, HU, log of sigma's ratio, mm, HU."""

TWO_STEPS_COUNT, THREE_STEPS_COUNT = 6, 8
"""Numbers of the model without and with a neighbour."""

FOUND, SD_EDGE, SD_THICKNESS, SD_CORTEX, CHI2, COST, GAP_SEEN, BAND_SEEN = 8, 9, 10, 11, 12, 13, 14, 15
FIT_COUNT = 16
"""Columns of a fit after the model's eight numbers: found (1, or 2 with a neighbour in the model), posterior
deviations, misfit per bin, cost per bin, the gap to a neighbour and the cortex's width at half height (NaN
where none is seen)."""

OUTSIDE_SD_HU, BLUR_SD_FRACTION = 150.0, 0.05
"""Soft constants: the level outside about the one seen, and sigma about the scan's. Our choice, tuned on
phantoms."""

SOFT_TISSUE_SD_HU, GAP_SD_MM, NEIGHBOUR_SD_HU = 50.0, 1.5, 400.0
"""Soft constants of the model with a neighbour, about the scan's soft tissue and what is seen at half height.
Our choice, tuned on phantoms."""

INSIDE_SD_HU, THICKNESS_SD_MM = 2000.0, 10.0
"""So wide that they only keep the equations solvable where the inner border lies outside the window."""

THINNEST_MM, STEP_MM, STEP_BLUR_RATIO, LONGEST_COUNT = 0.05, 0.6, 0.2, 30
"""Limits of one step of the descent and of all of it. Our choice."""

UNSURE_MM, UNSURE_RATIO = 0.3, 3.0
"""A thickness as uncertain as this, or a misfit so many times the scan's usual one, is begun anew from two
other thicknesses. Our choice."""

TABLE_END, TABLE_PER_UNIT = 6, 128
_ERROR_FUNCTION = np.array(
    [
        (1 + math.erf((n / TABLE_PER_UNIT - TABLE_END) / math.sqrt(2))) / 2
        for n in range(2 * TABLE_END * TABLE_PER_UNIT + 2)
    ]
)
"""The blurred step, tabulated: read between entries it is exact to 2·10⁻⁶."""
_BELL = np.array(
    [
        math.exp(-((n / TABLE_PER_UNIT - TABLE_END) ** 2) / 2) / math.sqrt(2 * math.pi)
        for n in range(2 * TABLE_END * TABLE_PER_UNIT + 2)
    ]
)


@njit(cache=True, error_model="numpy", forceinline=True)
def _blurred_step(u):  # type: ignore[no-untyped-def]
    """A step blurred by a Gaussian of deviation 1, and its slope, at ``u``."""
    if u <= -TABLE_END:
        return 0.0, 0.0
    if u >= TABLE_END:
        return 1.0, 0.0
    place = (u + TABLE_END) * TABLE_PER_UNIT
    at = int(place)
    part = place - at
    return (
        _ERROR_FUNCTION[at] + part * (_ERROR_FUNCTION[at + 1] - _ERROR_FUNCTION[at]),
        _BELL[at] + part * (_BELL[at + 1] - _BELL[at]),
    )


@njit(cache=True, error_model="numpy")
def layers(s, sigma, x, count, slope):  # type: ignore[no-untyped-def]
    """The model's grey value at depth ``s``; its derivatives by the ``count`` numbers into ``slope``."""
    width = sigma * math.exp(x[BLUR])
    u, v = (s - x[EDGE]) / width, (s - x[EDGE] - x[THICKNESS]) / width
    P, f = _blurred_step(u)
    Q, g = _blurred_step(v)
    outer, inner = (x[OUTSIDE] - x[CORTEX]) * f, (x[CORTEX] - x[INSIDE]) * g
    value = x[OUTSIDE] * (1 - P) + x[CORTEX] * (P - Q) + x[INSIDE] * Q
    slope[EDGE], slope[THICKNESS] = (outer + inner) / width, inner / width
    slope[CORTEX], slope[OUTSIDE], slope[INSIDE] = P - Q, 1 - P, Q
    slope[BLUR] = outer * u + inner * v
    if count == THREE_STEPS_COUNT:
        t = (s - x[EDGE] + x[GAP]) / width
        A, e = _blurred_step(t)
        other = (x[NEIGHBOUR] - x[OUTSIDE]) * e
        value += (x[NEIGHBOUR] - x[OUTSIDE]) * (1 - A)
        slope[EDGE] += other / width
        slope[BLUR] += other * t
        slope[OUTSIDE] = A - P
        slope[GAP], slope[NEIGHBOUR] = -other / width, 1 - A
    return value


@njit(cache=True, error_model="numpy")
def _copy(from_, to, count):  # type: ignore[no-untyped-def]
    """The first ``count`` numbers; a slice set to a slice would take the compiler far longer."""
    for p in range(count):
        to[p] = from_[p]


@njit(cache=True, error_model="numpy")
def _cost(s, y, w, first, last, noise, sigma, x, mean, tightness, count, A, pull, slope):  # type: ignore[no-untyped-def]
    """Misfit and misfit plus soft constants at ``x``; normal equations into ``A`` and ``pull``."""
    A[:] = 0.0
    pull[:] = 0.0
    misfit = 0.0
    for i in range(first, last):
        r = y[i] - layers(s[i], sigma, x, count, slope)
        weight = w[i] / (noise * noise)
        misfit += weight * r * r
        for p in range(count):
            lever = weight * slope[p]
            pull[p] += lever * r
            for q in range(p + 1):
                A[p, q] += lever * slope[q]
    cost = misfit
    for p in range(count):
        off = mean[p] - x[p]
        cost += tightness[p] * off * off
        A[p, p] += tightness[p]
        pull[p] += tightness[p] * off
    return misfit, cost


@njit(cache=True, error_model="numpy")
def _cholesky(A, damping, count, L):  # type: ignore[no-untyped-def]
    """Lower triangle ``L`` of ``A`` with its diagonal raised by the share ``damping``."""
    for p in range(count):
        for q in range(p + 1):
            total = A[p, q]
            if p == q:
                total *= 1 + damping
            for r in range(q):
                total -= L[p, r] * L[q, r]
            if p == q:
                if total <= 0:
                    return False
                L[p, p] = math.sqrt(total)
            else:
                L[p, q] = total / L[q, q]
    return True


@njit(cache=True, error_model="numpy")
def _solve(L, right, count, x):  # type: ignore[no-untyped-def]
    for p in range(count):
        total = right[p]
        for q in range(p):
            total -= L[p, q] * x[q]
        x[p] = total / L[p, p]
    for p in range(count - 1, -1, -1):
        total = x[p]
        for q in range(p + 1, count):
            total -= L[q, p] * x[q]
        x[p] = total / L[p, p]


@njit(cache=True, error_model="numpy")
def descend(s, y, w, first, last, noise, sigma, x, mean, tightness, count, sd):  # type: ignore[no-untyped-def]
    """Fit the model from ``x`` (kept there); posterior deviations into ``sd``; misfit and cost per bin.

    ``tightness`` is 1 / deviation² of each soft constant. Deviations are widened by the misfit where it is
    larger than the noise explains.
    """
    A, B, L = np.zeros((8, 8)), np.zeros((8, 8)), np.zeros((8, 8))
    pull, best_pull, slope, step = np.zeros(8), np.zeros(8), np.zeros(8), np.zeros(8)
    trial = x.copy()
    best, misfit, damping = np.inf, np.inf, 1e-2
    for _ in range(LONGEST_COUNT):
        found, cost = _cost(s, y, w, first, last, noise, sigma, trial, mean, tightness, count, A, pull, slope)
        if cost < best:
            done = best - cost < 0.02 + 1e-4 * cost
            best, misfit = cost, found
            _copy(trial, x, count)
            A, B = B, A
            pull, best_pull = best_pull, pull
            damping *= 0.1
            if done:
                break
        else:
            damping *= 6
            if damping > 1e6:
                break
        if not _cholesky(B, damping, count, L):
            damping *= 6
            continue
        _solve(L, best_pull, count, step)
        for p in range(count):
            limit = STEP_MM if p == EDGE else STEP_BLUR_RATIO if p == BLUR else np.inf
            trial[p] = x[p] + min(max(step[p], -limit), limit)
        thin, thick = x[THICKNESS] / 2 + THINNEST_MM / 2, 1.7 * x[THICKNESS] + 2 * THINNEST_MM
        trial[THICKNESS] = min(max(trial[THICKNESS], thin), thick)
        if count == THREE_STEPS_COUNT:
            trial[GAP] = max(trial[GAP], x[GAP] / 2)
    bins = max(last - first - 3, 1)
    excess = math.sqrt(max(1.0, misfit / bins))
    if _cholesky(B, 0.0, count, L):
        for p in range(count):
            best_pull[:] = 0.0
            best_pull[p] = 1.0
            _solve(L, best_pull, count, step)
            sd[p] = math.sqrt(step[p]) * excess
    else:
        sd[:count] = np.inf
    return misfit / bins, best / bins


@njit(cache=True, error_model="numpy")
def _keep(x, sd, misfit, cost, gap, band, kind, fit):  # type: ignore[no-untyped-def]
    _copy(x, fit, np.int64(8))
    fit[FOUND], fit[SD_EDGE], fit[SD_THICKNESS], fit[SD_CORTEX] = (
        kind,
        sd[EDGE],
        sd[THICKNESS],
        sd[CORTEX],
    )
    fit[CHI2], fit[COST], fit[GAP_SEEN], fit[BAND_SEEN] = misfit, cost, gap, band


@njit(cache=True, error_model="numpy")
def _window(s, m, low, high):  # type: ignore[no-untyped-def]
    """First and one past the last bin from depth ``low`` to ``high``."""
    first, last = 0, m
    while first < m and s[first] < low:
        first += 1
    while last > first and s[last - 1] > high:
        last -= 1
    return first, last


@njit(cache=True, error_model="numpy")
def _fit_one(s, y, w, m, noise, sigma, seen_sigma, cortex, cortex_sd, blur_sd, usual, soft, near, warm, fit):  # type: ignore[no-untyped-def]
    """Fit one profile; see ``fit_profiles``."""
    start = np.empty(START_COUNT)
    half_maximum(s, y, w, m, noise, seen_sigma, start)
    fit_before = fit.copy()
    fit[:] = np.nan
    fit[FOUND] = 0.0
    if start[0] == 0:
        return
    edge, inner, outside, inside, gap = start[1], start[2], start[3], start[5], start[8]
    fwhm = 2.3548 * seen_sigma
    low = max(start[6], edge - max(3 * seen_sigma, 1.0))
    if inner == inner:
        band = inner - edge
        thickness = math.sqrt(max(band * band - 0.9 * fwhm * fwhm, 0.02))
        middle = (edge + inner) / 2
        high = max(middle + thickness / 2 + max(2.5 * seen_sigma, 1.0), inner + max(1.8 * seen_sigma, 0.8))
        begin = middle - thickness / 2
    else:
        band, thickness, begin = 3.0, 1.2 * fwhm, edge
        high = edge + 4.0
    first, last = _window(s, m, low, min(high, start[7]))
    if last - first < 7:
        return
    mean, tightness = np.zeros(8), np.zeros(8)
    mean[EDGE], tightness[EDGE] = edge, 1e-4
    mean[THICKNESS], tightness[THICKNESS] = thickness, 1 / THICKNESS_SD_MM**2
    mean[CORTEX], tightness[CORTEX] = cortex, 1 / cortex_sd**2
    mean[OUTSIDE], tightness[OUTSIDE] = outside, 1 / OUTSIDE_SD_HU**2
    mean[INSIDE], tightness[INSIDE] = inside, 1 / INSIDE_SD_HU**2
    tightness[BLUR] = 1 / blur_sd**2
    x, best, sd = np.zeros(8), np.zeros(8), np.zeros(8)
    lowest, misfit = np.inf, np.inf
    for attempt in range(3):
        _copy(mean, x, np.int64(8))
        if attempt == 0:
            x[EDGE] = begin
            if warm and fit_before[FOUND] > 0:
                _copy(fit_before, x, np.int64(BLUR + 1))
        elif attempt == 1:
            x[THICKNESS] = 0.5 * fwhm
            x[EDGE] = edge
        else:
            x[THICKNESS] = max(band, 1.2 * fwhm)
            x[EDGE] = edge
        found, cost = descend(s, y, w, first, last, noise, sigma, x, mean, tightness, TWO_STEPS_COUNT, sd)
        if cost < lowest:
            lowest, misfit = cost, found
            _copy(x, best, np.int64(8))
            _keep(x, sd, found, cost, gap, inner - edge, 1.0, fit)
        if attempt == 0 and misfit < UNSURE_RATIO * usual and sd[THICKNESS] < UNSURE_MM:
            break
    if gap == gap and gap < near * fwhm and soft == soft:
        first, last = _window(s, m, best[EDGE] - gap - 2.2 * seen_sigma, min(high, start[7]))
        mean[OUTSIDE], tightness[OUTSIDE] = soft, 1 / SOFT_TISSUE_SD_HU**2
        mean[GAP], tightness[GAP] = gap, 1 / GAP_SD_MM**2
        mean[NEIGHBOUR], tightness[NEIGHBOUR] = start[9], 1 / NEIGHBOUR_SD_HU**2
        _copy(best, x, np.int64(8))
        x[OUTSIDE], x[GAP], x[NEIGHBOUR] = soft, gap, start[9]
        found, cost = descend(s, y, w, first, last, noise, sigma, x, mean, tightness, THREE_STEPS_COUNT, sd)
        _keep(x, sd, found, cost, gap, inner - edge, 2.0, fit)


@njit(cache=True, error_model="numpy", parallel=True)
def fit_profiles(  # type: ignore[no-untyped-def]
    depth, mean, count, noise, sigma, seen_sigma, cortex, cortex_sd, blur_sd, usual, soft, near, warm, fits
):
    """Fit the layers to every profile (n, BINS_COUNT); rows of ``fits`` (n, FIT_COUNT) are filled.

    ``sigma`` (n,) is the blur along each normal, ``seen_sigma`` (n,) the one that windows and starts are made
    for. ``cortex`` and ``cortex_sd`` (n,) are the soft constant of the cortex's level, ``blur_sd`` (n,) that
    of log sigma; ``usual`` is the scan's usual misfit per bin. ``soft`` is the soft tissue's level (NaN where
    not known yet: then no neighbour is modelled), ``near`` how many times the blur's full width a gap may be
    to need it. ``warm`` starts from what ``fits`` holds.
    """
    for v in prange(len(depth)):
        s, y, w = np.empty(BINS_COUNT), np.empty(BINS_COUNT), np.empty(BINS_COUNT)
        m = packed(depth[v], mean[v], count[v], s, y, w)
        _fit_one(
            s,
            y,
            w,
            m,
            noise,
            sigma[v],
            seen_sigma[v],
            cortex[v],
            cortex_sd[v],
            blur_sd[v],
            usual,
            soft,
            near,
            warm,
            fits[v],
        )


@njit(cache=True, error_model="numpy")
def fit_single_edges(depth, mean, count, noise, sigma):  # type: ignore[no-untyped-def]
    """Free blur (mm) of a single step in each profile, as where skin meets air; NaN where there is none.

    Two layers only: the inner border is put far behind the window.
    """
    found = np.full(len(depth), np.nan)
    s, y, w = np.empty(BINS_COUNT), np.empty(BINS_COUNT), np.empty(BINS_COUNT)
    start, x, mean_x, tightness, sd = (
        np.empty(START_COUNT),
        np.zeros(8),
        np.zeros(8),
        np.zeros(8),
        np.zeros(8),
    )
    for v in range(len(depth)):
        m = packed(depth[v], mean[v], count[v], s, y, w)
        half_maximum(s, y, w, m, noise, sigma, start)
        if start[0] == 0:
            continue
        first, last = _window(s, m, start[1] - 4 * sigma, start[1] + 4 * sigma)
        mean_x[:] = 0.0
        tightness[:] = 0.0
        mean_x[THICKNESS], tightness[THICKNESS], tightness[INSIDE] = 100.0, 1e6, 1.0
        mean_x[EDGE], mean_x[CORTEX], mean_x[OUTSIDE] = start[1], start[4], start[3]
        tightness[EDGE] = tightness[CORTEX] = tightness[OUTSIDE] = 1e-6
        tightness[BLUR] = 1e-2
        _copy(mean_x, x, np.int64(8))
        descend(s, y, w, first, last, noise, sigma, x, mean_x, tightness, TWO_STEPS_COUNT, sd)
        if sd[BLUR] < BLUR_SD_FRACTION:
            found[v] = sigma * math.exp(x[BLUR])
    return found
