"""The coupled equations a second time: method of lines with scipy, slow, obvious, on its own grid.

Many shells, the mean of two diffusivities at a face, gaps in quasi-steady flow left
out: vapour in the gaps is a state like the rest.  Shares nothing with the solver but the physics.
"""

import numpy as np
from scipy.integrate import solve_ivp

R = 8.314462618
VAPOUR = 461.5


def saturation(kelvin):
    th = 1.0 - kelvin / 647.096
    series = (
        -7.85951783 * th
        + 1.84408259 * th**1.5
        - 11.7866497 * th**3
        + 22.6807411 * th**3.5
        - 15.9618719 * th**4
        + 1.80122502 * th**7.5
    )
    return 22.064e6 * np.exp(647.096 / kelvin * series)


def equilibrium(material, activity, kelvin):
    """kg/kg; the material's own keys."""
    a = np.clip(activity, 0.0, 1.0)
    if getattr(material, "isotherm_gab_m0_wt_pct", None):
        m0, C, K = material.isotherm_gab_m0_wt_pct, material.isotherm_gab_C, material.isotherm_gab_K
        wt = m0 * C * K * a / ((1 - K * a) * (1 - K * a + C * K * a))
    else:
        f, m = material.isotherm_henry_fraction, material.isotherm_cluster_exponent
        wt = material.uptake_saturation_wt_pct * (f * a + (1 - f) * a**m)
    dH = 1000.0 * material.sorption_excess_enthalpy_kJ_mol
    return wt / 100.0 * np.exp(-dH / R * (1 / kelvin - 1 / 296.15))


def diffusivity(material, content, kelvin):
    Ea = 1000.0 * material.activation_energy_kJ_mol
    k = material.diffusivity_conc_coeff_per_wt_pct
    return material.diffusivity_23C_m2_s * np.exp(k * 100.0 * content - Ea / R * (1 / kelvin - 1 / 296.15))


def edges(count):
    return 1.0 - (1.0 - np.linspace(0, 1, count + 1)) ** 1.5


def march(
    material,
    winding,
    content,
    kelvin,
    stays,
    *,
    count=40,
    void=0.25,
    tortuosity=2.0,
    conductivity=0.1,
    heat_capacity=1500.0,
    tolerance=1e-6,
):
    """Return (radii of shell middles relative to r0, content (layers, count), temperature (layers,)).

    *stays*: (seconds, temperature K, vapour Pa or None = sealed without air, film W/m²K, film m/s).
    """
    L = winding.layers
    r0 = winding.diameter_m / 2
    edge = edges(count)
    middle = 0.5 * (edge[1:] + edge[:-1])
    share = np.diff(edge**2)
    mass = winding.strand_kg()
    gap = winding.gap_m3()
    radius = winding.hub_radius_m + winding.pitch_m * np.arange(L + 1)
    face = 2 * np.pi * radius * winding.width_m
    h = winding.pitch_m

    def rates(_, y, T_air, p_air, heat, film):
        c = y[: L * count].reshape(L, count)
        g = y[L * count : L * count + L]
        T = y[L * count + L :]
        p = g * VAPOUR * T
        surface = equilibrium(material, p / saturation(T), T)[:, None]
        D = diffusivity(material, c, T[:, None])
        D_surface = diffusivity(material, surface, T[:, None])
        flow = (
            2
            * np.pi
            * r0
            * edge[1:-1]
            * 0.5
            * (D[:, 1:] + D[:, :-1])
            * (c[:, :-1] - c[:, 1:])
            / np.diff(r0 * middle)
        )
        out = (
            2 * np.pi * r0 * (0.5 * (D[:, -1:] + D_surface)) * (c[:, -1:] - surface) / (r0 * (1 - middle[-1]))
        )
        flow = np.concatenate([np.zeros((L, 1)), flow, out], axis=1)  # per length and density
        dc = (flow[:, :-1] - flow[:, 1:]) / (np.pi * r0**2 * share)
        lost = mass * flow[:, -1] / (np.pi * r0**2)  # kg/s out of the strand
        Dv = 2.16e-5 * (T / 273.15) ** 1.81 * void / tortuosity / (VAPOUR * T)
        between = face[1:-1] * 0.5 * (Dv[1:] + Dv[:-1]) / h * (p[:-1] - p[1:])
        if p_air is None:
            last = 0.0
        else:
            last = face[-1] * (p[-1] - p_air) / (h / 2 / Dv[-1] + VAPOUR * T[-1] / film)
        vapour = np.concatenate([[0.0], between, [last]])
        dg = (vapour[:-1] - vapour[1:] + lost) / gap
        warm = face[1:-1] * conductivity / h * (T[:-1] - T[1:])
        warm = np.concatenate([[0.0], warm, [face[-1] * (T[-1] - T_air) / (h / 2 / conductivity + 1 / heat)]])
        dT = (warm[:-1] - warm[1:]) / (mass * heat_capacity)
        return np.concatenate([dc.ravel(), dg, dT])

    T0 = np.full(L, float(kelvin))
    c0 = np.full((L, count), float(content))
    low, high = 0.0, 1.0
    for _ in range(60):
        a = 0.5 * (low + high)
        low, high = (a, high) if equilibrium(material, a, kelvin) < content else (low, a)
    g0 = np.full(L, a * saturation(float(kelvin)) / (VAPOUR * kelvin))
    y = np.concatenate([c0.ravel(), g0, T0])
    size = y.size
    band = np.zeros((size, size))
    for i in range(L):
        rows = np.r_[i * count : (i + 1) * count, L * count + i, L * count + L + i]
        band[np.ix_(rows, rows)] = 1
        for j in (i - 1, i + 1):
            if 0 <= j < L:
                band[L * count + i, [L * count + j, L * count + L + j]] = 1
                band[L * count + L + i, L * count + L + j] = 1
    for seconds, T_air, p_air, heat, film in stays:
        # its difference table starts uninitialised: what stands there by chance may be no number
        with np.errstate(invalid="ignore", over="ignore"):
            done = solve_ivp(
                rates,
                (0, seconds),
                y,
                method="BDF",
                rtol=tolerance,
                atol=1e-9,
                jac_sparsity=band,
                args=(T_air, p_air, heat, film),
            )
        assert done.success, done.message
        y = done.y[:, -1]
    return middle, y[: L * count].reshape(L, count), y[L * count + L :]
