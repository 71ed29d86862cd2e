"""The coupled equations a second time: method of lines with scipy, slow, obvious, on its own grid.

Many shells, the mean of two diffusivities at a face; vapour in the gaps, a closed place's water and the
reel's body are states like the rest.  Shares nothing with the solver but the physics.
"""

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

R = 8.314462618
VAPOUR = 461.5


@dataclass(frozen=True)
class Stay:
    """Constant surroundings for a while; no vapour pressure: a closed place that shares *store_kg*."""

    seconds: float
    kelvin: float
    vapour_Pa: float | None
    heat: float = 10.0  # W/(m² K)
    film: float = 0.0045  # m/s
    through: float = 1.0
    air_m3: float = 0.0
    agent: tuple = ()  # (% RH, wt %) of a desiccant
    agent_kg: float = 0.0
    store_kg: float = 0.0  # water in air and desiccant when the place is closed
    exchange_m3_s: float = 0.0
    exchange_kg_m3: float = 0.0


@dataclass(frozen=True)
class Hull:
    """A reel's body: dry mass, isotherm (activity, kg/kg), time constant at 23 °C, activation energy, water."""

    dry_kg: float
    activity: tuple
    content: tuple
    exchange_s: float
    activation_K: float
    water_kg: float


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
    """kg of water per kg of polymer; the material's own keys."""
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
    wall=0.015,
    fibre_wt_pct=0.0,
    flange_open=0.0,
    hull=None,
    tolerance=1e-6,
):
    """Return (radii of shell middles relative to r0, content (layers, count), temperature (layers,), store, body).

    Contents are per kg of strand, fibre and all; what happens in it is told by its polymer's own content.
    """
    L = winding.layers
    polymer = 1.0 - fibre_wt_pct / 100.0
    r0 = winding.diameter_m / 2
    edge = edges(count)
    middle = 0.5 * (edge[1:] + edge[:-1])
    share = np.diff(edge**2)
    mass = winding.strand_kg()
    gap = winding.gap_m3()
    radius = winding.hub_radius_m + winding.pitch_m * np.arange(L + 1)
    face = 2 * np.pi * radius * winding.width_m
    flange = 2 * np.pi * (radius[1:] ** 2 - radius[:-1] ** 2)
    way = winding.width_m / 6
    h = winding.pitch_m
    latent = (44e3 - 1000.0 * material.sorption_excess_enthalpy_kJ_mol) / 0.018015

    def rates(_, y, stay):
        T_air = stay.kelvin
        c = y[: L * count].reshape(L, count) / polymer
        g = y[L * count : L * count + L]
        T = y[L * count + L : L * count + 2 * L]
        store, body = y[-2:]
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
        flow = polymer * np.concatenate([np.zeros((L, 1)), flow, out], axis=1)  # per length and density
        dc = (flow[:, :-1] - flow[:, 1:]) / (np.pi * r0**2 * share)
        lost = mass * flow[:, -1] / (np.pi * r0**2)  # kg/s out of the strand
        Dv = 2.16e-5 * (T / 273.15) ** 1.81 * void / tortuosity / (VAPOUR * T)
        between = face[1:-1] * 0.5 * (Dv[1:] + Dv[:-1]) / h * (p[:-1] - p[1:])
        full = saturation(T_air)
        shared = stay.vapour_Pa is None and (stay.air_m3 > 0 or stay.agent_kg > 0)
        p_air = stay.vapour_Pa
        if shared:
            at = np.array(stay.agent[0]) / 100 if stay.agent else np.array([0.0, 1.0])
            held = stay.agent_kg * np.array(stay.agent[1]) / 100 if stay.agent else np.zeros(2)
            # What the table holds is straight between its points; beyond saturation its last line goes on.
            total = held + stay.air_m3 * full / (VAPOUR * T_air) * at
            i = min(max(int(np.searchsorted(total, store)) - 1, 0), len(total) - 2)
            p_air = full * (at[i] + (store - total[i]) * (at[i + 1] - at[i]) / (total[i + 1] - total[i]))
        if p_air is None:
            last, aside = 0.0, np.zeros(L)
        else:
            last = face[-1] * (p[-1] - p_air) / (h / 2 / Dv[-1] + VAPOUR * T[-1] / stay.film)
            aside = flange_open * flange * (p - p_air) / (way / (Dv * stay.through) + VAPOUR * T / stay.film)
        vapour = np.concatenate([[0.0], between, [last]])
        dg = (vapour[:-1] - vapour[1:] + lost - aside) / gap
        warm = face[1:-1] * conductivity / h * (T[:-1] - T[1:])
        warm = np.concatenate(
            [[0.0], warm, [face[-1] * (T[-1] - T_air) / (h / 2 / conductivity + 1 / stay.heat)]]
        )
        walls = flange * (T - T_air) / (way / conductivity + wall * (1 - flange_open) + 1 / stay.heat)
        dT = (warm[:-1] - warm[1:] - walls - latent * lost) / (mass * heat_capacity)
        d_store = d_body = 0.0
        if hull is not None and p_air is not None:
            goal = hull.dry_kg * np.interp(p_air / full, hull.activity, hull.content)
            tau = hull.exchange_s * np.exp(hull.activation_K * (1 / T_air - 1 / 296.15))
            d_body = (goal - body) / tau
        if shared:
            leak = stay.exchange_m3_s * (stay.exchange_kg_m3 - p_air / (VAPOUR * T_air))
            d_store = last + aside.sum() + leak - d_body
        return np.concatenate([dc.ravel(), dg, dT, [d_store, d_body]])

    T0 = np.full(L, float(kelvin))
    c0 = np.full((L, count), float(content))
    low, high = 0.0, 1.0
    for _ in range(60):
        a = 0.5 * (low + high)
        low, high = (a, high) if polymer * equilibrium(material, a, kelvin) < content else (low, a)
    g0 = np.full(L, a * saturation(float(kelvin)) / (VAPOUR * kelvin))
    y = np.concatenate([c0.ravel(), g0, T0, [0.0, 0.0 if hull is None else hull.water_kg]])
    size = y.size
    band = np.zeros((size, size))
    for i in range(L):
        rows = np.r_[i * count : (i + 1) * count, L * count + i, L * count + L + i]
        band[np.ix_(rows, rows)] = 1
        for j in (i - 1, i + 1):
            if 0 <= j < L:
                band[L * count + i, [L * count + j, L * count + L + j]] = 1
                band[L * count + L + i, L * count + L + j] = 1
    band[-2:, L * count :] = 1
    band[L * count : L * count + L, -2] = 1
    for stay in stays:
        y[-2] = stay.store_kg
        # its difference table starts uninitialised: what stands there by chance may be no number
        with np.errstate(invalid="ignore", over="ignore"):
            done = solve_ivp(
                rates,
                (0, stay.seconds),
                y,
                method="BDF",
                rtol=tolerance,
                atol=1e-9,
                jac_sparsity=band,
                args=(stay,),
            )
        assert done.success, done.message
        y = done.y[:, -1]
    return (
        middle,
        y[: L * count].reshape(L, count),
        y[L * count + L : L * count + 2 * L],
        float(y[-2]),
        float(y[-1]),
    )
