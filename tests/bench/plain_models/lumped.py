"""A deliberately plain engine: lumped volumes, quasi-steady valves, a starter as a straight line.

From J. B. Heywood, Internal Combustion Engine Fundamentals (1988), by chapter from memory: cylinder volume and piston motion
(chapter 2), compressible flow through a restriction (appendix C), a valve's curtain area (chapter 6), the first law of an open
system with one gas, heat to the walls by a constant coefficient. No pipes: no
runner has inertia, no wave travels. The starter is V = R I + k omega with torque k I through a rigid gear that can only push.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from .engines import Kind


@dataclass
class Engine:
    """SI units, angles in crank degrees; arrays hold a value for each cylinder in the maker's numbers."""

    kind: Kind
    compression: np.ndarray
    ring_mm2: np.ndarray
    in_leak_mm2: np.ndarray
    ex_leak_mm2: np.ndarray
    in_lift: np.ndarray
    ex_lift: np.ndarray
    timing_deg: np.ndarray
    added_cc: np.ndarray
    bore: float = 0.086
    rod_ratio: float = 3.4
    exhaust_opens: float = 135.0
    exhaust_closes: float = 372.0
    intake_opens: float = 352.0
    intake_closes: float = 590.0
    plenum_l: float = 4.0
    throttle_mm2: float = 30.0
    exhaust_l: float = 5.0
    tailpipe_mm2: float = 700.0
    inertia: float = 0.25
    friction_nm: float = 25.0
    viscous: float = 0.6
    k: float = 0.42
    r_battery: float = 0.008
    r_motor: float = 0.012
    v_open: float = 12.5
    sag: float = 0.0
    one_off: tuple[int, int, float] | None = None  # cylinder, cycle, lift factor
    fires_from_s: float = 1e9


def draw(kind: Kind, rng: np.random.Generator, scatter: float = 1.0, cold: bool = False) -> Engine:
    """One engine of a kind. scatter: of production, 1 = ordinary, 0 = all cylinders alike."""
    n = kind.cylinders
    displaced = kind.cylinder_cc * 1e-6 * rng.uniform(0.9, 1.1)
    bore = (displaced * 4 / np.pi / rng.uniform(0.9, 1.15)) ** (1 / 3)
    around = lambda mean, rel: mean * np.exp(scatter * rel * rng.standard_normal(n))  # noqa: E731
    total = displaced * n
    engine = Engine(
        kind,
        compression=around(rng.uniform(9.0, 10.8), 0.01),
        ring_mm2=around(rng.uniform(0.3, 0.9) * total / n / 5e-4, 0.15),
        in_leak_mm2=around(0.02, 0.4),
        ex_leak_mm2=around(0.02, 0.4),
        in_lift=around(1.0, 0.01),
        ex_lift=around(1.0, 0.01),
        timing_deg=scatter * 0.4 * rng.standard_normal(n),
        added_cc=np.zeros(n),
        bore=bore,
        rod_ratio=rng.uniform(3.0, 3.8),
        exhaust_opens=rng.uniform(122, 140),
        exhaust_closes=rng.uniform(366, 382),
        intake_opens=rng.uniform(343, 375),
        intake_closes=rng.uniform(574, 604),
        plenum_l=total * 1e3 * rng.uniform(1.0, 2.2),
        throttle_mm2=total * 1e3 * rng.uniform(5.0, 13.0),
        exhaust_l=total * 1e3 * rng.uniform(1.5, 3.0),
        tailpipe_mm2=rng.uniform(400, 900) * (total / 2e-3) ** 0.5,
        inertia=rng.uniform(0.16, 0.34) * (total / 2e-3) ** 0.7,
        friction_nm=8.0 + rng.uniform(8, 12.5) * total * 1e3,
        viscous=rng.uniform(0.2, 0.45) * total * 1e3,
        k=rng.uniform(0.46, 0.56) * (total / 2e-3) ** 0.5,
        r_battery=rng.uniform(0.005, 0.009) / (total / 2e-3) ** 0.4,
        r_motor=rng.uniform(0.009, 0.013) / (total / 2e-3) ** 0.4,
    )
    if cold:
        engine.friction_nm *= 1.5
        engine.viscous *= 3.0
        engine.v_open -= 0.5
        engine.r_battery *= 1.6
    return engine


@numba.njit(cache=True, fastmath=True)
def _flow(area, pa, ta, pb):
    """kg/s from a to b (pa >= pb); linear near zero difference so that a step stays stable."""
    ratio = pb / pa
    if ratio < 0.528:
        ratio = 0.528
    d = pa - pb
    psi2 = 2.0 * 1.4 / 0.4 * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4))
    f = area * pa / np.sqrt(287.0 * ta) * np.sqrt(max(psi2, 0.0))
    if d < 150.0:
        f *= np.sqrt(d / 150.0)
    return f


@numba.njit(cache=True, fastmath=True)
def _run(
    fire, bank, nb, vd, cr, bore, lam, ring, inl, exl, lin, lex, tim, added, evo, evc, ivo, ivc,
    dv_in, lmax, vp, athr, vex, atail, inertia, f0, f1, k, rb, rm, voc0, sag, oc, on_cycle, on_factor,
    t_crank, t_release, t_end, fires_s, wall, dt, every, theta0, nout,
):  # fmt: skip
    n = len(fire)
    p0, t0 = 101325.0, 293.0
    cv, cp = 717.5, 1004.5
    m = np.empty(n)
    heat = np.empty(n)
    th = theta0
    w = 0.0
    cur = 0.0
    for i in range(n):
        phi = (th - fire[i]) % 720.0
        x = np.deg2rad(phi)
        s = 1 + lam - np.cos(x) - np.sqrt(lam * lam - np.sin(x) ** 2)
        vol = vd / (cr[i] - 1) + added[i] + vd * s / 2
        m[i] = p0 * vol / (287.0 * t0)
        heat[i] = m[i] * cv * t0
    mp = p0 * vp / (287.0 * t0)
    heat_p = mp * cv * t0
    me = np.empty(nb)
    heat_e = np.empty(nb)
    for b in range(nb):
        me[b] = p0 * vex / (287.0 * t0)
        heat_e[b] = me[b] * cv * t0
    out = np.empty((nout, 7 + nb + n))
    q = 0
    area_p = np.pi * bore * bore / 4
    steps = int(t_end / dt)
    dm = np.zeros(n)
    dheat = np.zeros(n)
    pc = np.empty(n)
    for step in range(steps):
        t = step * dt
        tp = heat_p / (mp * cv)
        pp = mp * 287.0 * tp / vp
        fl = 0.0
        dmp = 0.0
        dheat_p = 0.0
        # throttle
        if pp < p0:
            fl = _flow(athr, p0, t0, pp)
            dmp += fl
            dheat_p += fl * cp * t0
        else:
            fl = _flow(athr, pp, tp, p0)
            dmp -= fl
            dheat_p -= fl * cp * tp
        dheat_p += 8.0 * (t0 - tp) * vp / 0.004
        dme = np.zeros(nb)
        dheat_e = np.zeros(nb)
        for b in range(nb):
            te = heat_e[b] / (me[b] * cv)
            pe = me[b] * 287.0 * te / vex
            if pe > p0:
                fl = _flow(atail, pe, te, p0)
                dme[b] -= fl
                dheat_e[b] -= fl * cp * te
            else:
                fl = _flow(atail, p0, t0, pe)
                dme[b] += fl
                dheat_e[b] += fl * cp * t0
            dheat_e[b] += 10.0 * (t0 - te) * vex / 0.005
        torque = 0.0
        for i in range(n):
            phi = (th - fire[i]) % 720.0
            x = np.deg2rad(phi)
            root = np.sqrt(lam * lam - np.sin(x) ** 2)
            s = 1 + lam - np.cos(x) - root
            ds = np.sin(x) + np.sin(x) * np.cos(x) / root
            vol = vd / (cr[i] - 1) + added[i] + vd * s / 2
            dvol = vd / 2 * ds * w
            tc = heat[i] / (m[i] * cv)
            p = m[i] * 287.0 * tc / vol
            pc[i] = p
            torque += (p - p0) * vd / 2 * ds
            a_ring = ring[i]
            a_in = inl[i]
            a_ex = exl[i]
            a = phi - tim[i]
            if ivo < a < ivc:
                f = lin[i]
                if i == oc and np.floor((th - fire[i]) / 720.0) == on_cycle:
                    f = on_factor
                lift = f * lmax * np.sin(np.pi * (a - ivo) / (ivc - ivo)) ** 2
                a_in += 0.65 * min(np.pi * dv_in * lift, np.pi * dv_in**2 / 4)
            b = a
            if b < evc - 720.0 + 0.0:
                b += 720.0
            if evo < b < evc:
                lift = lex[i] * lmax * np.sin(np.pi * (b - evo) / (evc - evo)) ** 2
                a_ex += 0.65 * min(np.pi * 0.87 * dv_in * lift, np.pi * (0.87 * dv_in) ** 2 / 4)
            mm = 0.0
            uu = -p * dvol
            # rings to the crankcase
            if p > p0:
                fl = _flow(a_ring, p, tc, p0)
                mm -= fl
                uu -= fl * cp * tc
            else:
                fl = _flow(a_ring, p0, t0, p)
                mm += fl
                uu += fl * cp * t0
            if p > pp:
                fl = _flow(a_in, p, tc, pp)
                mm -= fl
                uu -= fl * cp * tc
                dmp += fl
                dheat_p += fl * cp * tc
            else:
                fl = _flow(a_in, pp, tp, p)
                mm += fl
                uu += fl * cp * tp
                dmp -= fl
                dheat_p -= fl * cp * tp
            bk = bank[i]
            te = heat_e[bk] / (me[bk] * cv)
            pe = me[bk] * 287.0 * te / vex
            if p > pe:
                fl = _flow(a_ex, p, tc, pe)
                mm -= fl
                uu -= fl * cp * tc
                dme[bk] += fl
                dheat_e[bk] += fl * cp * tc
            else:
                fl = _flow(a_ex, pe, te, p)
                mm += fl
                uu += fl * cp * te
                dme[bk] -= fl
                dheat_e[bk] -= fl * cp * te
            surface = 2 * area_p + np.pi * bore * vd * s / 2 / area_p
            uu += 100.0 * surface * (wall - tc)
            if t > fires_s and 8.0 < phi < 30.0:  # burns at an even rate over 22 degrees
                uu += m[i] * 1.1e6 * w / np.deg2rad(22.0)
            dm[i] = mm
            dheat[i] = uu
        # starter
        voc = voc0 * (1.0 - sag * max(0.0, t - t_crank) / (t_release - t_crank))
        target = 0.0
        if t_crank < t < t_release:
            target = max(0.0, (voc - k * w) / (rb + rm))
        cur += dt / 0.004 * (target - cur)
        fr = (f0 + f1 * abs(w)) * np.tanh(w / 0.3)
        acc = (k * cur - fr + torque) / inertia
        w += acc * dt
        th += np.rad2deg(w * dt)
        for i in range(n):
            m[i] += dm[i] * dt
            heat[i] += dheat[i] * dt
        mp += dmp * dt
        heat_p += dheat_p * dt
        for b in range(nb):
            me[b] += dme[b] * dt
            heat_e[b] += dheat_e[b] * dt
        if step % every == 0 and q < nout:
            out[q, 0] = t
            out[q, 1] = th
            out[q, 2] = w
            out[q, 3] = cur
            out[q, 4] = voc - cur * rb
            out[q, 5] = pp
            out[q, 6] = torque
            for b in range(nb):
                out[q, 7 + b] = me[b] * 287.0 * (heat_e[b] / (me[b] * cv)) / vex
            for i in range(n):
                out[q, 7 + nb + i] = pc[i]
            q += 1
    return out[:q]


def run(
    engine: Engine, seconds: float, rest_s: float, after_s: float, theta0: float, step_s: float = 2.5e-5
) -> dict:
    """Signals at 4 kHz: time_s, theta_deg (after cylinder 1's firing TDC), omega, current, volts, and in kPa intake, exhaust (by
    bank) and cylinder."""
    kind = engine.kind
    n = kind.cylinders
    banks = np.zeros(n, dtype=np.int64)
    for b, members in enumerate(kind.banks):
        for c in members:
            banks[c - 1] = b
    nb = len(kind.banks)
    vd = np.pi * engine.bore**2 / 4 * (kind.cylinder_cc * 1e-6 * 4 / np.pi / engine.bore**2)
    every = round(1 / 4000 / step_s)
    end = rest_s + seconds + after_s
    oc, on_cycle, on_factor = engine.one_off or (0, -99, 1.0)
    out = _run(
        kind.firing_deg(), banks, nb, vd, engine.compression, engine.bore, engine.rod_ratio,
        engine.ring_mm2 * 1e-6, engine.in_leak_mm2 * 1e-6, engine.ex_leak_mm2 * 1e-6, engine.in_lift, engine.ex_lift,
        engine.timing_deg, engine.added_cc * 1e-6, engine.exhaust_opens, engine.exhaust_closes, engine.intake_opens,
        engine.intake_closes, 0.45 * engine.bore, 0.11 * engine.bore, engine.plenum_l * 1e-3, engine.throttle_mm2 * 1e-6,
        engine.exhaust_l * 1e-3, engine.tailpipe_mm2 * 1e-6, engine.inertia, engine.friction_nm, engine.viscous, engine.k,
        engine.r_battery, engine.r_motor, engine.v_open, engine.sag, oc - 1, on_cycle, on_factor,
        rest_s, rest_s + seconds, end, engine.fires_from_s, 320.0, step_s, every, theta0, int(end * 4000) + 2,
    )  # fmt: skip
    return {
        "time_s": out[:, 0],
        "theta_deg": out[:, 1],
        "omega": out[:, 2],
        "current": out[:, 3],
        "volts": out[:, 4],
        "intake": out[:, 5] / 1e3,
        "exhaust": out[:, 7 : 7 + nb].T / 1e3,
        "cylinder": out[:, 7 + nb :].T / 1e3,
    }
