"""The double pendulum from first principles: the equations by sympy's mechanics (Kane's method), the motion by
scipy. Reads one case as JSON on standard input, prints states and head speed at the times asked for."""
import json
import sys

import numpy as np
import sympy as sm
import sympy.physics.mechanics as me
from scipy.integrate import solve_ivp


def equations():
    """alpha'' and beta'' as functions of the state, the torques and the measures."""
    t = me.dynamicsymbols._t
    a, b, ua, ub = me.dynamicsymbols("a b ua ub")
    R, Ia, ma, ca, mc, cc, Ic, start, g1, g2, h1, h2, qa, qb = sm.symbols(
        "R Ia ma ca mc cc Ic start g1 g2 h1 h2 qa qb")
    # x down the plane, y across it (towards growing alpha), z the plane's normal.
    world = me.ReferenceFrame("N")
    hub = me.Point("hub")
    hub.set_vel(world, h1 * t * world.x + h2 * t * world.y)
    arm = world.orientnew("A", "Axis", [a - start, world.z])
    club = world.orientnew("C", "Axis", [a - start - b, world.z])
    arm.set_ang_vel(world, ua * world.z)
    club.set_ang_vel(world, (ua - ub) * world.z)
    arm_centre = hub.locatenew("arm", ca * arm.x)
    wrist = hub.locatenew("wrist", R * arm.x)
    club_centre = wrist.locatenew("club", cc * club.x)
    arm_centre.v2pt_theory(hub, world, arm)
    wrist.v2pt_theory(hub, world, arm)
    club_centre.v2pt_theory(wrist, world, club)
    bodies = [
        me.RigidBody("arm", arm_centre, arm, ma, (me.inertia(arm, 0, 0, Ia), arm_centre)),
        me.RigidBody("club", club_centre, club, mc, (me.inertia(club, 0, 0, Ic), club_centre)),
    ]
    gravity = g1 * world.x + g2 * world.y
    # The wrist's torque works on beta: against the club, and back on the arm.
    loads = [(arm_centre, ma * gravity), (club_centre, mc * gravity),
             (arm, (qa + qb) * world.z), (club, -qb * world.z)]
    kane = me.KanesMethod(world, q_ind=[a, b], u_ind=[ua, ub], kd_eqs=[ua - a.diff(t), ub - b.diff(t)])
    kane.kanes_equations(bodies, loads)
    names = [a, b, ua, ub, R, Ia, ma, ca, mc, cc, Ic, start, g1, g2, h1, h2, qa, qb, t]
    # Rebind the functions of time to plain symbols.
    plain = {q: sm.Symbol(str(q.func)) for q in (a, b, ua, ub)}
    mass = kane.mass_matrix.subs(plain)
    force = kane.forcing.subs(plain)
    return sm.lambdify([plain.get(n, n) for n in names], (mass, force), "numpy")


def run(case):
    p = case["pendulum"]
    matrices = equations()
    # Any mass of the arms gives the same motion, as long as moment and inertia are those.
    ma = 8.0
    ca = p["arm_moment"] / ma
    mc = p["club_kg"]
    cc = p["club_moment"] / mc
    bodies = [p["arm_m"], p["arm_inertia"] - ma * ca * ca, ma, ca, mc, cc, p["club_inertia"] - mc * cc * cc]

    def change(t, y):
        ramp = 1.0 - np.exp(-t / case["rise_s"])
        mass, force = matrices(*y, *bodies, case["start"], *case["gravity"], *case["hub"],
                               case["arm_torque"] * ramp, case["wrist_torque"] * ramp, t)
        return [y[2], y[3], *np.linalg.solve(mass, force).ravel()]

    begin = [0.0, case["cock"], 0.0, 0.0]
    found = solve_ivp(change, (0.0, case["times"][-1]), begin, method="DOP853", t_eval=case["times"],
                      rtol=1e-12, atol=1e-13)
    states = []
    for y in found.y.T:
        arm = y[0] - case["start"]
        club = arm - y[1]
        head = (p["arm_m"] * y[2] * np.array([-np.sin(arm), np.cos(arm)])
                + p["club_m"] * (y[2] - y[3]) * np.array([-np.sin(club), np.cos(club)]))
        states.append([*y, float(np.hypot(*head))])
    return states


json.dump(run(json.load(sys.stdin)), sys.stdout)
