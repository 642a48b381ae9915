"""A second engine model, written without sight of the product's own, to test its judgement from outside.

One call of `crank` turns an engine from rest with its starter and returns noise-free time series. What is in it, with where
the formulas come from (from memory unless a place is given; Heywood = Internal Combustion Engine Fundamentals, 1988):

- crank-slider volume and its derivative (Heywood, section 2.2);
- every gas space is one lumped volume of ideal air with mass and temperature as states and cv(T) linear in temperature;
  cylinders are compressed adiabatically over the step, then exchange mass and heat (operator splitting);
- wall heat after Hohenberg, "Advanced approaches for heat transfer calculations", SAE 790825:
  h = 130 V^-0.06 (p/bar)^0.8 T^-0.4 (Sp + 1.4)^0.8 W/m2K, with a factor drawn for each engine;
- valves, rings, leaks, throttle and the hose's fitting as isentropic nozzles, choked and not, either way (Heywood,
  appendix C, equations C.8 and C.9), each solved linearly implicit over the step so that no small volume rings;
- valve lift sin^2 shaped between the events, area the lesser of curtain and port;
- an intake runner is a gas column with inertia, (L/A) dq/dt = p_plenum - p_port - friction, into a port volume in front of the
  valve; the exhaust is one volume per bank, a pipe with inertia, a silencer volume, and a tailpipe with inertia;
- rings leak to a crankcase at atmospheric pressure;
- crank: constant inertia plus that of the pistons, gas torque, friction = constant and speed-proportional mean pressures plus
  a share of the rings' gas load;
- starter: permanent-magnet motor with inductance, its rotor's inertia through the gear, an overrunning clutch that locks
  inelastically and lets go at zero torque; battery with resistance and an open-circuit voltage that sags exponentially;
- a transducer's hose: a volume of its own behind a fitting, with heat loss to its wall.

Units are SI; crank angles in radians inside, degrees where a name ends in _deg. Angles count from the cylinder's own firing TDC.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit

GAS = 287.0
ATMOSPHERE = 100_500.0
FOUR_PI = 4.0 * np.pi
OUTPUT_STEP_S = 1e-4


@dataclass(frozen=True)
class Engine:
    """One engine with everything that a set-up file would and would not tell. Lengths m, volumes m3, areas m2."""

    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...]
    banks: tuple[int, ...]  # per cylinder number - 1: the exhaust volume that it blows into
    bore: float
    stroke: float
    rod: float
    compression_ratio: float
    exhaust_opens_deg: float
    exhaust_closes_deg: float
    intake_opens_deg: float
    intake_closes_deg: float
    intake_area: float  # port's, all valves of a cylinder
    exhaust_area: float
    lift: float
    valve_rim: float  # summed circumference of a cylinder's intake valves
    discharge: float
    ring_area: float
    heat_factor: float
    wall_k: float
    air_k: float
    plenum: float
    runner_length: float
    runner_area: float
    port_volume: float
    throttle_area: float
    manifold: float
    silencer: float
    pipe_inertance: float  # length over area
    tail_inertance: float
    tail_area: float
    inertia: float
    piston_mass: float
    friction_pa: float  # mean pressure at standstill
    friction_slope_pa: float  # at 20 rad/s on top
    ring_friction: float  # times gas force on a ring's height
    battery_v: float
    battery_ohm: float
    sag_v: float
    motor_ohm: float
    motor_henry: float
    motor_constant: float  # V s per rad
    gear: float
    gear_efficiency: float
    motor_inertia: float
    wobble: float  # cycle-to-cycle share of friction and ring leak
    # what differs between cylinders: factors around 1, one row for each of ring leak, clearance, intake lift, runner length
    scatter: np.ndarray = field(default_factory=lambda: np.ones((4, 12)))

    @property
    def cylinders(self) -> int:
        return len(self.firing_order)

    @property
    def swept(self) -> float:
        """Swept volume of one cylinder."""
        return np.pi / 4 * self.bore**2 * self.stroke

    def firing_tdc_deg(self) -> np.ndarray:
        """Firing TDC of cylinder 1, 2 ... on a common 720 degree scale whose zero is cylinder 1's, shape (cylinders,)."""
        at = np.zeros(self.cylinders)
        angle = 0.0
        for cylinder, interval in zip(self.firing_order, self.intervals_deg, strict=True):
            at[cylinder - 1] = angle
            angle += interval
        return (at - at[0]) % 720.0


@dataclass(frozen=True)
class Fitted:
    """A transducer's hose in a cylinder."""

    cylinder: int
    volume: float
    fitting_area: float = 8e-6
    heat_w_per_k: float = 0.25


@dataclass(frozen=True)
class Fault:
    """What is wrong with one cylinder. kind: ring_leak, intake_valve_leak, exhaust_valve_leak (size: m2 of leak
    added to what it has), intake_shut, exhaust_shut (that valve never opens)."""

    kind: str
    cylinder: int
    size: float = 0.0


@dataclass(frozen=True)
class Crank:
    """Noise-free time series every OUTPUT_STEP_S. angle_deg is cumulative, 0 = cylinder 1's firing TDC."""

    time: np.ndarray
    angle_deg: np.ndarray
    speed: np.ndarray
    plenum: np.ndarray
    exhaust: np.ndarray
    cylinder: np.ndarray  # (cylinders, samples)
    hose: np.ndarray
    current: np.ndarray
    battery: np.ndarray
    tail_flow: np.ndarray


@njit(cache=True, fastmath=False)
def _cv(t):
    return 717.0 + 0.09 * (t - 300.0)


@njit(cache=True)
def _u(t):
    d = t - 300.0
    return 717.0 * d + 0.045 * d * d


@njit(cache=True)
def _nozzle(area, p1, t1, p2, t2):
    """Mass flow from 1 to 2, negative when it goes back; linear where the two pressures all but agree."""
    if area <= 0.0:
        return 0.0
    if p1 >= p2:
        up, t, down, sign = p1, t1, p2, 1.0
    else:
        up, t, down, sign = p2, t2, p1, -1.0
    g = 1.4
    ratio = down / up
    near = 0.9998
    share = 1.0
    if ratio > near:
        share = (1.0 - ratio) / (1.0 - near)
        ratio = near
    if ratio <= 0.52828:
        flow = 0.684731
    else:
        r1 = ratio ** (1.0 / g)
        flow = np.sqrt(2.0 * g / (g - 1.0) * (r1 * r1 - r1 * ratio))
    return sign * share * area * up / np.sqrt(GAS * t) * flow


@njit(cache=True)
def _damped(flow, dp, t, v1, v2, dt):
    """The same flow, taken linearly implicit: what would level out within the step is not overshot."""
    if flow == 0.0 or dp == 0.0:
        return flow
    stiff = 1.4 * GAS * t * (1.0 / v1 + 1.0 / v2)
    return flow / (1.0 + abs(flow / dp) * stiff * dt)


@njit(cache=True)
def _lift(phi, opens, closes):
    """sin^2 between the events; opens < closes, angles in radians on 0..4 pi."""
    if phi < opens:
        phi += FOUR_PI
    x = (phi - opens) / (closes - opens)
    if x >= 1.0:
        return 0.0
    s = np.sin(np.pi * x)
    return s * s


@njit(cache=True)
def _step_through(
    n,
    tdc,
    bank,
    nbanks,
    geo,
    events,
    valve,
    ring,
    clear,
    lift_f,
    runner_f,
    heat,
    air,
    vol,
    ex,
    mech,
    el,
    leak,
    shut,
    hose,
    times,
    start_angle,
    wobble,
    out_every,
    dt,
):
    bore, stroke, rod = geo
    r = stroke / 2.0
    area = np.pi / 4.0 * bore * bore
    eo, ec, io, ic = events
    in_area, ex_area, lift_max, rim, cd = valve
    heat_f, wall = heat
    t_air = air
    plenum_v, run_len, run_area, port_v, throttle = vol
    man_v, sil_v, pipe_i, tail_i, tail_area = ex
    inertia0, piston, f0, f1, fring = mech
    emf0, r_b, sag, r_m, ind, k, gear, eta, j_m = el
    hose_at, hose_v, hose_a, hose_h = hose
    t_on, t_off, t_end = times
    steps = int(t_end / dt)
    n_out = steps // out_every
    o_angle = np.empty(n_out)
    o_speed = np.empty(n_out)
    o_plen = np.empty(n_out)
    o_exh = np.empty(n_out)
    o_cyl = np.empty((n, n_out))
    o_hose = np.empty(n_out)
    o_cur = np.empty(n_out)
    o_bat = np.empty(n_out)
    o_tail = np.empty(n_out)

    theta = start_angle
    w = 0.0
    w_m = 0.0  # rotor speed referred to the crank
    cur = 0.0
    locked = False
    m = np.empty(n)
    t = np.empty(n)
    v = np.empty(n)
    p = np.empty(n)
    pm = np.empty(n)
    pt = np.empty(n)
    pp = np.empty(n)
    q = np.zeros(n)
    for i in range(n):
        phi = theta - tdc[i]
        s, c = np.sin(phi), np.cos(phi)
        v[i] = clear[i] + area * (r * (1 - c) + rod - np.sqrt(rod * rod - r * r * s * s))
        t[i] = 0.5 * (wall + t_air)
        m[i] = ATMOSPHERE * v[i] / (GAS * t[i])
        pt[i] = t_air
        pm[i] = ATMOSPHERE * port_v / (GAS * t_air)
    plen_t = t_air
    plen_m = ATMOSPHERE * plenum_v / (GAS * t_air)
    man_t = np.full(nbanks, 0.5 * (wall + t_air))
    man_m = np.empty(nbanks)
    man_p = np.empty(nbanks)
    pipe_q = np.zeros(nbanks)
    for b in range(nbanks):
        man_m[b] = ATMOSPHERE * man_v / (GAS * man_t[b])
    sil_t = t_air
    sil_m = ATMOSPHERE * sil_v / (GAS * sil_t)
    tail_q = 0.0
    hose_t = wall
    hose_m = ATMOSPHERE * hose_v / (GAS * hose_t)
    hose_p = ATMOSPHERE
    swept = area * stroke
    run_i = run_len / run_area
    emf = emf0
    cycle_i = 0
    for step in range(steps):
        now = step * dt
        cycle_i = int(theta / FOUR_PI) % wobble.shape[0]
        fric_w = wobble[cycle_i, 0]
        # gas torque, ring friction and the pistons' inertia at the present angle
        torque = 0.0
        rub = 0.0
        inertia = inertia0
        for i in range(n):
            phi = theta - tdc[i]
            s, c = np.sin(phi), np.cos(phi)
            root = np.sqrt(rod * rod - r * r * s * s)
            dx = r * s * (1.0 + r * c / root)
            p[i] = m[i] * GAS * t[i] / v[i]
            torque += (p[i] - ATMOSPHERE) * area * dx
            rub += fring * abs(p[i] - ATMOSPHERE) * np.pi * bore * 0.003 * abs(dx)
            inertia += piston * dx * dx
        loss = (f0 + f1 * abs(w) / 20.0) * n * swept / FOUR_PI * fric_w + rub
        # starter: current, then the clutch
        on = t_on <= now < t_off
        if on:
            emf = emf0 - sag * (1.0 - np.exp(-(now - t_on) / 4.0))
            volts = emf - cur * r_b - cur * r_m - k * gear * w_m
            cur += dt * volts / ind
            if cur < 0.0:
                cur = 0.0
        else:
            cur = 0.0
        push = eta * k * gear * cur
        brake = loss * np.tanh(w / 0.05)
        if not on:
            locked = False
        if locked:
            acc = (torque - brake + push) / (inertia + j_m * gear * gear)
            through = push - j_m * gear * gear * acc
            if through < 0.0:
                locked = False
            w += dt * acc
            w_m = w
        if not locked:
            if w == 0.0 and abs(torque) < loss and not (on and w_m > w):
                pass
            else:
                before = w
                w += dt * (torque - brake) / inertia
                if before * w < 0.0 and abs(torque) < loss:
                    w = 0.0
            w_m += dt * push / (j_m * gear * gear)
            if not on:
                w_m = max(0.0, w_m - dt * 60.0)
            if on and w_m >= w:
                j = j_m * gear * gear
                w = (w * inertia + w_m * j) / (inertia + j)
                w_m = w
                locked = True
        theta += dt * w
        # gas
        plen_p = plen_m * GAS * plen_t / plenum_v
        plen_dm = 0.0
        plen_de = 0.0
        flow = _nozzle(throttle, ATMOSPHERE, t_air, plen_p, plen_t)
        flow = _damped(flow, ATMOSPHERE - plen_p, t_air, 1.0, plenum_v, dt)
        plen_dm += flow
        if flow > 0.0:
            plen_de += flow * (_u(t_air) + GAS * t_air - _u(plen_t))
        else:
            plen_de += flow * GAS * plen_t
        plen_de += 1.5 * (t_air + 0.2 * (wall - t_air) - plen_t)
        for b in range(nbanks):
            man_p[b] = man_m[b] * GAS * man_t[b] / man_v
        man_dm = np.zeros(nbanks)
        man_de = np.zeros(nbanks)
        sp = abs(w) * stroke / np.pi
        for i in range(n):
            phi = (theta - tdc[i]) % FOUR_PI
            s, c = np.sin(phi), np.cos(phi)
            x = r * (1 - c) + rod - np.sqrt(rod * rod - r * r * s * s)
            v_new = clear[i] + area * x
            t[i] *= (v[i] / v_new) ** (GAS / _cv(t[i]))
            v[i] = v_new
            p[i] = m[i] * GAS * t[i] / v[i]
            dm = 0.0
            de = 0.0
            b = bank[i]
            # exhaust valve and its leak
            a = leak[2, i]
            if not shut[1, i]:
                opened = _lift(phi, eo, ec) * lift_max
                a += cd * min(0.8 * rim * opened, ex_area)
            f = _nozzle(a, p[i], t[i], man_p[b], man_t[b])
            f = _damped(f, p[i] - man_p[b], max(t[i], man_t[b]), v[i], man_v, dt)
            dm -= f
            man_dm[b] += f
            if f > 0.0:
                de -= f * GAS * t[i]
                man_de[b] += f * (_u(t[i]) + GAS * t[i] - _u(man_t[b]))
            else:
                de -= f * (_u(man_t[b]) + GAS * man_t[b] - _u(t[i]))
                man_de[b] += f * GAS * man_t[b]
            # intake valve and its leak, from the port
            pp[i] = pm[i] * GAS * pt[i] / port_v
            a = leak[1, i]
            if not shut[0, i]:
                opened = _lift(phi, io, ic) * lift_max * lift_f[i]
                a += cd * min(rim * opened, in_area)
            f = _nozzle(a, pp[i], pt[i], p[i], t[i])
            f = _damped(f, pp[i] - p[i], max(t[i], pt[i]), v[i], port_v, dt)
            port_dm = -f
            port_de = 0.0
            dm += f
            if f > 0.0:
                de += f * (_u(pt[i]) + GAS * pt[i] - _u(t[i]))
                port_de -= f * GAS * pt[i]
            else:
                de += f * GAS * t[i]
                port_de -= f * (_u(t[i]) + GAS * t[i] - _u(pt[i]))
            # the runner's gas column
            up_t = plen_t if q[i] >= 0.0 else pt[i]
            rho = 0.5 * (plen_p + pp[i]) / (GAS * up_t)
            rub_run = (
                (1.5 + 0.03 * run_len * runner_f[i] / np.sqrt(run_area))
                * abs(q[i])
                / (2.0 * rho * run_area * run_area)
            )
            q[i] = (q[i] + dt / (run_i * runner_f[i]) * (plen_p - pp[i])) / (
                1.0 + dt / (run_i * runner_f[i]) * rub_run
            )
            port_dm += q[i]
            plen_dm -= q[i]
            if q[i] > 0.0:
                port_de += q[i] * (_u(plen_t) + GAS * plen_t - _u(pt[i]))
                plen_de -= q[i] * GAS * plen_t
            else:
                port_de += q[i] * GAS * pt[i]
                plen_de -= q[i] * (_u(pt[i]) + GAS * pt[i] - _u(plen_t))
            port_de += 0.4 * (t_air + 0.4 * (wall - t_air) - pt[i])
            # rings
            f = _nozzle((ring[i] * wobble[cycle_i, 1 + i] + leak[0, i]), p[i], t[i], ATMOSPHERE, wall)
            f = _damped(f, p[i] - ATMOSPHERE, t[i], v[i], 1.0, dt)
            dm -= f
            if f > 0.0:
                de -= f * GAS * t[i]
            else:
                de -= f * (_u(wall) + GAS * wall - _u(t[i]))
            # hose
            if i == hose_at:
                hose_p = hose_m * GAS * hose_t / hose_v
                f = _nozzle(hose_a, p[i], t[i], hose_p, hose_t)
                f = _damped(f, p[i] - hose_p, max(t[i], hose_t), v[i], hose_v, dt)
                dm -= f
                h_de = hose_h * (wall - hose_t)
                if f > 0.0:
                    de -= f * GAS * t[i]
                    h_de += f * (_u(t[i]) + GAS * t[i] - _u(hose_t))
                else:
                    de -= f * (_u(hose_t) + GAS * hose_t - _u(t[i]))
                    h_de += f * GAS * hose_t
                hose_t += dt * h_de / (hose_m * _cv(hose_t))
                hose_m += dt * f
            # wall heat
            h = heat_f * 130.0 * v[i] ** -0.06 * (p[i] * 1e-5) ** 0.8 * t[i] ** -0.4 * (sp + 1.4) ** 0.8
            de += h * (2.15 * area + np.pi * bore * x) * (wall - t[i])
            t[i] += dt * de / (m[i] * _cv(t[i]))
            m[i] += dt * dm
            pt[i] += dt * port_de / (pm[i] * _cv(pt[i]))
            pm[i] += dt * port_dm
        sil_p = sil_m * GAS * sil_t / sil_v
        sil_dm = 0.0
        sil_de = 6.0 * (t_air - sil_t)
        for b in range(nbanks):
            pipe_q[b] = (pipe_q[b] + dt / pipe_i * (man_p[b] - sil_p)) / (
                1.0 + dt / pipe_i * (2e3 + 2.5 * abs(pipe_q[b]) / (2.4 * tail_area**2))
            )
            f = pipe_q[b]
            man_dm[b] -= f
            sil_dm += f
            if f > 0.0:
                man_de[b] -= f * GAS * man_t[b]
                sil_de += f * (_u(man_t[b]) + GAS * man_t[b] - _u(sil_t))
            else:
                man_de[b] -= f * (_u(sil_t) + GAS * sil_t - _u(man_t[b]))
                sil_de += f * GAS * sil_t
            man_de[b] += 4.0 * (t_air + 0.5 * (wall - t_air) - man_t[b])
            man_t[b] += dt * man_de[b] / (man_m[b] * _cv(man_t[b]))
            man_m[b] += dt * man_dm[b]
        tail_q = (tail_q + dt / tail_i * (sil_p - ATMOSPHERE)) / (
            1.0 + dt / tail_i * (2e3 + 2.5 * abs(tail_q) / (2.4 * tail_area**2))
        )
        sil_dm -= tail_q
        if tail_q > 0.0:
            sil_de -= tail_q * GAS * sil_t
        else:
            sil_de -= tail_q * (_u(t_air) + GAS * t_air - _u(sil_t))
        sil_t += dt * sil_de / (sil_m * _cv(sil_t))
        sil_m += dt * sil_dm
        plen_t += dt * plen_de / (plen_m * _cv(plen_t))
        plen_m += dt * plen_dm
        if (step + 1) % out_every == 0:
            o = (step + 1) // out_every - 1
            o_angle[o] = theta
            o_speed[o] = w
            o_plen[o] = plen_m * GAS * plen_t / plenum_v
            o_exh[o] = sil_p
            for i in range(n):
                o_cyl[i, o] = m[i] * GAS * t[i] / v[i]
            o_hose[o] = hose_m * GAS * hose_t / hose_v
            o_cur[o] = cur
            o_bat[o] = (emf if on else emf0) - cur * r_b
            o_tail[o] = tail_q
    return o_angle, o_speed, o_plen, o_exh, o_cyl, o_hose, o_cur, o_bat, o_tail


def crank(
    engine: Engine,
    seed: int,
    *,
    fitted: Fitted | None = None,
    faults: tuple[Fault, ...] = (),
    rest_s: float = 0.7,
    crank_s: float = 10.0,
    step_s: float = 2e-5,
) -> Crank:
    """Crank from rest. The seed sets where the crank stands and how cycles differ; the same seed gives like cranks."""
    n = engine.cylinders
    random = np.random.default_rng(seed)
    start = random.uniform(0, FOUR_PI)
    wobble = 1.0 + engine.wobble * random.normal(size=(80, 1 + n)) * np.array([1.0] + [3.0] * n)
    wobble = np.clip(wobble, 0.2, 3.0)
    leak = np.zeros((3, n))
    shut = np.zeros((2, n), dtype=np.bool_)
    for fault in faults:
        i = fault.cylinder - 1
        if fault.kind in ("ring_leak", "intake_valve_leak", "exhaust_valve_leak"):
            leak[("ring_leak", "intake_valve_leak", "exhaust_valve_leak").index(fault.kind), i] += fault.size
        elif fault.kind in ("intake_shut", "exhaust_shut"):
            shut[("intake_shut", "exhaust_shut").index(fault.kind), i] = True
        else:
            raise ValueError(f"no such fault: {fault.kind}")
    scatter = engine.scatter[:, :n]
    clear = engine.swept / (engine.compression_ratio - 1) * scatter[1]
    hose = (-1, 1e-5, 0.0, 0.0)
    if fitted is not None:
        hose = (fitted.cylinder - 1, fitted.volume, fitted.fitting_area, fitted.heat_w_per_k)
    rest_after = 1.2
    series = _step_through(
        n,
        np.radians(engine.firing_tdc_deg()),
        np.array(engine.banks) - 1,
        max(engine.banks),
        (engine.bore, engine.stroke, engine.rod),
        tuple(
            np.radians(
                [
                    engine.exhaust_opens_deg,
                    engine.exhaust_closes_deg,
                    engine.intake_opens_deg,
                    engine.intake_closes_deg,
                ]
            )
        ),
        (engine.intake_area, engine.exhaust_area, engine.lift, engine.valve_rim, engine.discharge),
        engine.ring_area * scatter[0],
        clear,
        scatter[2].copy(),
        scatter[3].copy(),
        (engine.heat_factor, engine.wall_k),
        engine.air_k,
        (engine.plenum, engine.runner_length, engine.runner_area, engine.port_volume, engine.throttle_area),
        (engine.manifold, engine.silencer, engine.pipe_inertance, engine.tail_inertance, engine.tail_area),
        (
            engine.inertia,
            engine.piston_mass,
            engine.friction_pa,
            engine.friction_slope_pa,
            engine.ring_friction,
        ),
        (
            engine.battery_v,
            engine.battery_ohm,
            engine.sag_v,
            engine.motor_ohm,
            engine.motor_henry,
            engine.motor_constant,
            engine.gear,
            engine.gear_efficiency,
            engine.motor_inertia,
        ),
        leak,
        shut,
        hose,
        (rest_s, rest_s + crank_s, rest_s + crank_s + rest_after),
        start,
        wobble,
        round(OUTPUT_STEP_S / step_s),
        step_s,
    )
    angle, speed, plenum, exhaust, cylinder, hose_p, current, battery, tail = series
    time = (np.arange(len(angle)) + 1) * OUTPUT_STEP_S
    return Crank(time, np.degrees(angle), speed, plenum, exhaust, cylinder, hose_p, current, battery, tail)


@dataclass(frozen=True)
class Kind:
    """What a user knows of a class of engine; the rest is drawn."""

    name: str
    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...]
    banks: tuple[int, ...]
    displacement: float
    compression_ratio: float
    stroke_to_bore: float
    inertia: tuple[float, float]
    no_load_rpm: tuple[float, float]
    stall_a: tuple[float, float]
    plenum_per_displacement: tuple[float, float] = (0.6, 1.8)


KINDS = {
    k.name: k
    for k in (
        Kind(
            "three",
            (1, 3, 2),
            (240.0,) * 3,
            (1, 1, 1),
            1.1e-3,
            10.5,
            1.08,
            (0.07, 0.18),
            (250, 330),
            (500, 800),
        ),
        Kind(
            "four",
            (1, 3, 4, 2),
            (180.0,) * 4,
            (1,) * 4,
            1.6e-3,
            10.0,
            1.0,
            (0.10, 0.25),
            (250, 330),
            (550, 900),
        ),
        Kind(
            "heavy_four",
            (1, 3, 4, 2),
            (180.0,) * 4,
            (1,) * 4,
            2.4e-3,
            8.8,
            1.0,
            (0.40, 0.80),
            (210, 270),
            (700, 1000),
        ),
        Kind(
            "five",
            (1, 2, 4, 5, 3),
            (144.0,) * 5,
            (1,) * 5,
            2.4e-3,
            10.0,
            1.1,
            (0.13, 0.28),
            (230, 310),
            (600, 950),
        ),
        Kind(
            "six",
            (1, 5, 3, 6, 2, 4),
            (120.0,) * 6,
            (1,) * 6,
            2.988e-3,
            9.4,
            0.93,
            (0.14, 0.32),
            (220, 300),
            (700, 1000),
        ),
        Kind(
            "v6",
            (1, 2, 3, 4, 5, 6),
            (120.0,) * 6,
            (1, 2, 1, 2, 1, 2),
            3.2e-3,
            9.8,
            0.92,
            (0.14, 0.32),
            (220, 300),
            (700, 1000),
        ),
        Kind(
            "v8",
            (1, 8, 4, 3, 6, 5, 7, 2),
            (90.0,) * 8,
            (1, 2, 1, 2, 1, 2, 1, 2),
            5.0e-3,
            9.3,
            0.88,
            (0.18, 0.40),
            (200, 270),
            (750, 1100),
        ),
        Kind(
            "twin", (1, 2), (270.0, 450.0), (1, 1), 0.9e-3, 10.0, 0.85, (0.04, 0.10), (260, 360), (350, 600)
        ),
    )
}


def draw(kind: Kind, seed: int, *, cold: bool | None = None, scatter: float = 1.0) -> Engine:
    """An engine of that kind; `scatter` scales how far its healthy cylinders differ (1 = ordinary production)."""
    g = np.random.default_rng([seed, *kind.name.encode()])
    u = g.uniform
    n = len(kind.firing_order)
    swept = kind.displacement / n
    bore = (swept * 4 / np.pi / kind.stroke_to_bore) ** (1 / 3)
    stroke = kind.stroke_to_bore * bore
    is_cold = bool(g.random() < 0.3) if cold is None else cold
    wall = u(268, 298) if is_cold else u(340, 368)
    # One or two intake valves of about 0.5 or 0.39 bores.
    two = g.random() < 0.6
    diameter = bore * (u(0.36, 0.40) if two else u(0.46, 0.52))
    valves = 2 if two else 1
    battery_v = u(12.2, 12.8) - (0.2 if is_cold else 0.0)
    battery_ohm = u(0.005, 0.010) * (1.3 if is_cold else 1.0)
    stall = u(*kind.stall_a)
    total = battery_v / stall
    motor_ohm = max(0.003, total - battery_ohm)
    no_load = u(*kind.no_load_rpm) * np.pi / 30
    geared = g.random() < 0.7
    gear = u(38, 58) if geared else u(12, 16)
    motor_inertia = u(0.8e-4, 2.2e-4) if geared else u(4e-4, 10e-4)
    scatter_rows = np.ones((4, 12))
    for row, sigma in enumerate((0.25, 0.008, 0.01, 0.01)):
        scatter_rows[row] = np.clip(1 + scatter * sigma * g.normal(size=12), 0.4, 1.8)
    runner_area = 0.75 * valves * np.pi / 4 * diameter**2 * u(0.9, 1.4)
    runner_length = u(0.18, 0.55)
    intake_opens = u(342, 362)
    exhaust_opens = u(125, 142)
    exhaust_closes = u(364, 382)
    intake_closes = u(582, 608)
    return Engine(
        firing_order=kind.firing_order,
        intervals_deg=kind.intervals_deg,
        banks=kind.banks,
        bore=bore,
        stroke=stroke,
        rod=stroke * u(1.55, 1.85),
        compression_ratio=kind.compression_ratio * u(0.97, 1.02),
        exhaust_opens_deg=exhaust_opens,
        exhaust_closes_deg=exhaust_closes,
        intake_opens_deg=intake_opens,
        intake_closes_deg=intake_closes,
        intake_area=0.8 * valves * np.pi / 4 * diameter**2,
        exhaust_area=0.6 * valves * np.pi / 4 * diameter**2,
        lift=u(0.23, 0.27) * diameter,
        valve_rim=valves * np.pi * diameter,
        discharge=u(0.6, 0.75),
        ring_area=u(0.1e-6, 0.5e-6) * (1.4 if is_cold else 1.0) * (bore / 0.08),
        heat_factor=u(0.6, 1.5),
        wall_k=wall,
        air_k=u(270, 303),
        plenum=kind.displacement * u(*kind.plenum_per_displacement),
        runner_length=runner_length,
        runner_area=runner_area,
        port_volume=0.4 * runner_length * runner_area + 0.08 * swept,
        throttle_area=kind.displacement / 2e-3 * u(12e-6, 38e-6),
        manifold=kind.displacement * u(0.4, 0.9) / max(kind.banks),
        silencer=kind.displacement * u(3.0, 8.0),
        pipe_inertance=u(1.2, 2.2) / 1.3e-3,
        tail_inertance=u(0.6, 1.4) / 1.1e-3,
        tail_area=kind.displacement / 2e-3 * u(4e-4, 9e-4),
        inertia=u(*kind.inertia),
        piston_mass=0.55 * (bore / 0.08) ** 2.5,
        friction_pa=u(45e3, 90e3) * (1.5 if is_cold else 1.0),
        friction_slope_pa=u(8e3, 25e3) * (2.5 if is_cold else 1.0),
        ring_friction=u(0.05, 0.12),
        battery_v=battery_v,
        battery_ohm=battery_ohm,
        sag_v=u(0.1, 0.5),
        motor_ohm=motor_ohm,
        motor_henry=u(20e-6, 60e-6),
        motor_constant=battery_v / no_load / gear,
        gear=gear,
        gear_efficiency=u(0.80, 0.90),
        motor_inertia=motor_inertia,
        wobble=u(0.005, 0.02),
        scatter=scatter_rows,
    )
