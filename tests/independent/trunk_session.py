"""A session of swings with nodes on hand, forearm, breastbone and belt, made apart from the program.

Another way than the virtual glove's: the arm follows piecewise straight lines smoothed by a Gaussian, pelvis and chest
are masses that a servo (stiffness and damping, as muscles have) drives along ramps, integrated by scipy; rates and
accelerations come from differences of the poses, never from formulas; readings are means over the sampling interval; a
strapped node follows its segment as a damped spring. Instants and angles of the truth are roots and angles of those
poses. World: x towards the target, z up, a right-handed player looks along -y; a left-handed one is the mirror image.

    trunk_session.py SEED OUT     writes OUT.csv, OUT.device.json, OUT.markers.csv, OUT.truth.json
"""
import json
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lsim
from scipy.spatial.transform import Rotation

STEP = 1 / 2000.0
RATE = 500.0
G = 9.80665
PACKET = 6
# Sensor axes in the segment's, column by column as rows of v_segment = M v_sensor.
ARM = np.array([[0, 0, -1], [-1, 0, 0], [0, 1, 0]], float)
CHEST = np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0]], float)
BELT = np.array([[0, 0, -1], [1, 0, 0], [0, -1, 0]], float)


def turn(axis, degrees):
    degrees = np.asarray(degrees)
    return Rotation.from_euler(axis, degrees[:, None] if degrees.ndim == len(axis) == 1 else degrees, degrees=True)


def lines(t, knots, sigma_s):
    """Straight lines through (time, value), smoothed."""
    times, values = np.array(sorted(knots)).T
    return gaussian_filter1d(np.interp(t, times, values), sigma_s / STEP, mode="nearest")


def servo(t, knots, natural, damping):
    """A mass on a servo that is led along straight lines: angle and rate at the instants t."""
    times, values = np.array(sorted(knots)).T

    def motion(at, state):
        target = np.interp(at, times, values)
        return [state[1], natural**2 * (target - state[0]) - 2 * damping * natural * state[1]]

    solved = solve_ivp(motion, (t[0], t[-1]), [values[0], 0.0], t_eval=t, max_step=0.02, rtol=1e-6, atol=1e-6)
    return solved.y[0]


class Knots(list):
    """Times and values of one joint: holds until told otherwise."""

    def __init__(self, value):
        super().__init__([(0.0, value)])

    def to(self, from_s, until_s, value):
        self.append((from_s, self[-1][1]))
        self.append((until_s, value))


def script(rng):
    """What the player does: knots of every joint, prompts, and the planned swings."""
    address_lift, bend = rng.uniform(34, 42), {"chest": rng.uniform(28, 42), "pelvis": rng.uniform(14, 26)}
    lean = {"chest": rng.uniform(0, 6), "pelvis": rng.uniform(-1, 3)}
    arm = {"lift": Knots(7.0), "swing": Knots(0.0), "roll": Knots(0.0), "flexion": Knots(-4.0), "hinge": Knots(-6.0)}
    # Nobody stands quite upright.
    trunk = {s: {"turn": Knots(0.0), "bend": Knots(rng.uniform(-3, 3)), "lean": Knots(rng.uniform(-1.5, 1.5))}
             for s in ("chest", "pelvis")}
    upright = {s: {a: trunk[s][a][0][1] for a in trunk[s]} for s in trunk}
    prompts = [(1.0, "still"), (5.0, "calib_flex"), (11.0, "calib_hinge"), (17.0, "calib_roll"), (23.0, "address")]
    for joint, begin, size in (("flexion", 5.6, 34.0), ("hinge", 11.6, 18.0), ("roll", 17.6, 46.0)):
        home = arm[joint][-1][1]
        for i in range(8):
            arm[joint].to(begin + 0.6 * i, begin + 0.6 * i + 0.5, home + size * (1 if i % 2 == 0 else -1))
        arm[joint].to(begin + 4.85, begin + 5.2, home)

    def go_to_ball(at):
        arm["lift"].to(at, at + 0.8, address_lift)
        for joint in ("swing", "roll"):
            arm[joint].to(at, at + 0.8, 0.0)
        arm["flexion"].to(at, at + 0.8, -8.0)
        arm["hinge"].to(at, at + 0.8, -12.0)
        for s in trunk:
            trunk[s]["turn"].to(at, at + 0.6, 0.0)
            trunk[s]["bend"].to(at, at + 0.6, bend[s])
            trunk[s]["lean"].to(at, at + 0.6, lean[s])

    go_to_ball(23.4)
    at, swings = 27.5, []
    for _ in range(6):
        start = at + 0.4
        back_s, down_s = rng.uniform(0.75, 0.95), rng.uniform(0.36, 0.44)
        size = rng.choice([1.0, 1.0, 0.75])
        far = 142.0 * size
        top, follow = start + back_s, 95.0 * size
        arm["swing"].to(start, top, far)
        arm["swing"].to(top, top + down_s, -follow)
        arm["hinge"].to(start + rng.uniform(0.15, 0.35) * back_s, start + rng.uniform(0.6, 0.95) * back_s, rng.uniform(12, 22))
        arm["hinge"].to(top + 0.08, top + 0.08 + 0.55 * down_s, -16.0)
        arm["roll"].to(start + 0.05, top - 0.05, 50.0 * size)
        arm["roll"].to(top + 0.06, top + down_s, -40.0 * size)
        for s, back, down, slow in (("pelvis", rng.uniform(40, 55), rng.uniform(115, 135), 0.24),
                                    ("chest", rng.uniform(82, 100), rng.uniform(145, 165), 0.25)):
            lead = rng.uniform(0.03, 0.13) if s == "pelvis" else rng.uniform(-0.01, 0.06)
            leaves = top - lead - 0.045
            trunk[s]["turn"].to(start + rng.uniform(0.02, 0.12), leaves, back * size)
            trunk[s]["turn"].to(leaves, leaves + slow, (back - down) * size)
            tilt = (18.0 if s == "chest" else 9.0) * size * rng.uniform(0.7, 1.2)
            trunk[s]["lean"].to(start + 0.1, top - 0.2, lean[s] - 0.3 * tilt)
            trunk[s]["lean"].to(top - 0.08, top + 0.22, lean[s] + tilt)
            trunk[s]["bend"].to(top - 0.08, top + 0.25, bend[s] - 7.0 * size)
        done = top + down_s + 0.9
        for s in trunk:
            trunk[s]["bend"].to(done - 0.5, done, upright[s]["bend"])
            trunk[s]["lean"].to(done - 0.5, done, upright[s]["lean"])
        go_to_ball(done + 0.9)
        at = done + 3.4
        swings.append({"start_s": start, "top_s": top, "end_s": top + down_s})
    return arm, trunk, prompts, swings, at + 1.0


def body_rate(pose):
    """Angular rate in the body's axes, rad/s, at every instant."""
    steps = (pose[:-1].inv() * pose[1:]).as_rotvec() / STEP
    middle = 0.5 * (steps[:-1] + steps[1:])
    return np.vstack([steps[:1], middle, steps[-1:]])


def second_difference(place):
    accel = np.zeros_like(place)
    accel[1:-1] = (place[2:] - 2 * place[1:-1] + place[:-2]) / STEP**2
    accel[0], accel[-1] = accel[1], accel[-2]
    return accel


def mirrored(pose, place):
    flip = np.diag([1.0, -1.0, 1.0])
    return Rotation.from_matrix(flip @ pose.as_matrix() @ np.diag([1.0, 1.0, -1.0])), place * [1.0, -1.0, 1.0]


def arm_poses(t, arm):
    joint = {name: lines(t, knots, 0.055) for name, knots in arm.items()}
    sway = 0.1 * np.sin(2 * np.pi * 0.4 * t)[:, None] * [1, 0, 0]
    facing = Rotation.from_matrix(np.array([[-1, 0, 0], [0, 0, 1], [0, 1, 0]], float))
    forearm = facing * turn("x", joint["lift"]) * turn("z", joint["swing"] + sway[:, 0]) * turn("y", -joint["roll"])
    hand = forearm * turn("z", joint["flexion"]) * turn("x", joint["hinge"])
    shoulder = np.array([0.0, 0.0, 1.38]) + 0.02 * sway
    cuff = shoulder + forearm.apply([-0.028, -0.49, 0.0])
    back = shoulder + forearm.apply([0.0, -0.54, 0.0]) + hand.apply([-0.021, -0.055, 0.0])
    return joint, (hand, back), (forearm, cuff)


def trunk_pose(t, joints, rng):
    angle = {name: servo(t, knots, 12.0, 0.8) for name, knots in joints.items()}
    breath = 0.2 * np.sin(2 * np.pi * rng.uniform(0.2, 0.4) * t + rng.uniform(0, 6))
    # x forwards, y up, z to the right of a player who looks along -y.
    standing = Rotation.from_matrix(np.array([[0, 0, -1], [-1, 0, 0], [0, 1, 0]], float))
    # The joint turns about an axis that is not quite the segment's long one.
    off = turn("xz", rng.uniform(-2, 2, 2))
    pose = standing * turn("x", angle["lean"]) * turn("z", -angle["bend"] + breath) * off * turn("y", -angle["turn"]) * off.inv()
    return pose, angle["turn"]


def strapped(t, pose, turned, rng):
    """The node's pose: it follows the turn as a damped spring."""
    natural, damping = 2 * np.pi * rng.uniform(11, 25), rng.uniform(0.4, 0.9)
    _, node, _ = lsim(([2 * damping * natural, natural**2], [1, 2 * damping * natural, natural**2]), turned - turned[0], t)
    return pose * turn("y", -(node - (turned - turned[0])))


def shock(t, at_s, delay_s, peak_g):
    since = np.clip(t - at_s - delay_s, 0, None)
    return peak_g * np.exp(-since / 0.006) * np.sin(2 * np.pi * 110 * since)


class Node:
    """One node: seat, errors, clock, link."""

    def __init__(self, number, nominal, rng):
        self.number = number
        self.mount = Rotation.from_matrix(nominal) * Rotation.from_rotvec(np.radians(rng.uniform(-8, 8, 3)))
        self.gyro = np.eye(3) + rng.normal(0, 0.003, (3, 3))
        self.acc = np.eye(3) + rng.normal(0, 0.003, (3, 3))
        self.bias_dps, self.bias_g = rng.normal(0, 0.5, 3), rng.normal(0, 0.006, 3)
        self.offset_s = rng.uniform(50, 60) if number == 0 else rng.uniform(-40, 3000)
        self.skew = rng.uniform(-25e-6, 25e-6)
        self.least_latency_s = rng.uniform(0.003, 0.006)
        self.phase_s = rng.uniform(0, 1 / RATE)

    def clock_us(self, true_s):
        return np.round((self.offset_s + true_s * (1 + self.skew)) * 1e6).astype(np.int64)

    def readings(self, t, pose, place, shock_g, rng):
        """Rows of the file with when they reach the host."""
        rate = np.degrees(body_rate(pose))
        force = pose.inv().apply(second_difference(place) + [0, 0, G]) / G + shock_g[:, None] * [0.4, 0.8, 0.45]
        to_sensor = self.mount.inv()
        signals = np.hstack([to_sensor.apply(rate) @ self.gyro.T, to_sensor.apply(force) @ self.acc.T])
        summed = np.vstack([np.zeros(6), np.cumsum(0.5 * (signals[1:] + signals[:-1]) * STEP, axis=0)])
        taken = np.arange(self.phase_s + 0.01, t[-1], 1 / RATE / (1 + self.skew))
        at = lambda s: np.stack([np.interp(s, t, column) for column in summed.T], axis=1)
        means = (at(taken) - at(taken - 1 / RATE)) * RATE
        means[:, :3] += self.bias_dps + rng.normal(0, 0.08, (len(taken), 3))
        means[:, 3:] += self.bias_g + rng.normal(0, 0.003, (len(taken), 3))
        for columns, full in ((slice(0, 3), 2000.0), (slice(3, 6), 16.0)):
            counts = np.clip(np.round(means[:, columns] * 32768 / full), -32768, 32767)
            means[:, columns] = counts * full / 32768
        # A reading is the mean of the interval before its stamp; a packet goes when it is full.
        sent = taken[np.minimum(np.arange(len(taken)) // PACKET * PACKET + PACKET - 1, len(taken) - 1)]
        packet = np.arange(len(taken)) // PACKET
        late = rng.gamma(1.5, 0.001, packet[-1] + 1)[packet]
        received = np.maximum.accumulate(sent + self.least_latency_s + late)
        host = np.round((received + 700.0) * 1e6).astype(np.int64)
        stamps = self.clock_us(taken - 0.5 / RATE)
        for i in range(len(taken)):
            yield host[i], self.number, i, stamps[i], means[i]


def fall_through_zero(t, values, before):
    """The last instant up to an index at which values go from positive to negative."""
    i = before
    while not (values[i] >= 0 > values[i + 1]):
        i -= 1
    return t[i] + STEP * values[i] / (values[i] - values[i + 1])


def segment_truth(t, pose, rate, swing):
    index = lambda s: int(round(s / STEP))
    around = slice(index(swing["top_s"] - 0.3), index(swing["ball_s"] + 0.05))
    fastest = around.start + int(np.argmin(rate[around]))
    starts = fall_through_zero(t, rate, fastest)
    address, top, ball = (pose[index(s)] for s in (swing["start_s"] - 0.25, swing["top_s"], swing["ball_s"]))
    x, y, z, w = (address.inv() * top).as_quat()
    away = np.array([-1.0, 0.0, 0.0])
    lean = lambda p: np.degrees(np.arctan2(p.apply([0, 1, 0]) @ away, p.apply([0, 1, 0])[2]))
    near = index(starts)
    return {
        "turn_at_top_deg": np.degrees(2 * np.arctan2(y * np.sign(w), abs(w))),
        "tilt_at_impact_deg": lean(ball) - lean(address),
        "lead_to_top_ms": (swing["top_s"] - starts) * 1e3,
        "turnaround_dps2": (rate[near - 2] - rate[near + 2]) / (4 * STEP),
        "peak_dps": -rate[fastest],
    }


def main():
    seed, out = int(sys.argv[1]), sys.argv[2]
    rng = np.random.default_rng(seed)
    left = seed % 2 == 1
    arm, trunk, prompts, swings, until_s = script(rng)
    t = np.arange(0.0, until_s, STEP)
    joint, hand, forearm = arm_poses(t, arm)
    poses, nodes = {0: hand, 1: forearm}, {}
    segments = {}
    for number, name, point in ((2, "chest", [0.11, -0.1, 0.0]), (3, "pelvis", [-0.12, -0.5, 0.0])):
        pose, turned = trunk_pose(t, trunk[name], rng)
        segments[name] = pose
        node = strapped(t, pose, turned, rng)
        poses[number] = (node, np.array([0.0, 0.1, 1.3]) + node.apply(point))
    for number, nominal in ((0, ARM), (1, ARM), (2, CHEST), (3, BELT)):
        nodes[number] = Node(number, nominal, rng)

    rate = np.gradient(joint["swing"], STEP)
    knocks = {number: np.zeros(len(t)) for number in nodes}
    for swing in swings:
        begin, end = int(swing["start_s"] / STEP), int(swing["end_s"] / STEP)
        down = begin + int(np.argmin(rate[begin:end]))
        swing["top_s"] = fall_through_zero(t, rate, down)
        # The arm back at its address angle.
        i = int(swing["top_s"] / STEP)
        start_deg = joint["swing"][begin - int(0.3 / STEP)]
        while joint["swing"][i] > start_deg:
            i += 1
        swing["ball_s"] = t[i]
        for number, (share, delay_s) in {0: (22.0, 0), 1: (7.0, 0.0005), 2: (0.3, 0.007), 3: (0.1, 0.011)}.items():
            knocks[number] += shock(t, swing["ball_s"], delay_s, share) * (t > swing["ball_s"] + delay_s)

    rows = []
    for number, node in nodes.items():
        pose, place = mirrored(*poses[number]) if left else poses[number]
        rows.extend(node.readings(t, pose, place, knocks[number], rng))
    rows.sort(key=lambda row: (row[0], row[1], row[2]))
    with open(out + ".csv", "w") as file:
        file.write("t_us,node,seq,gx,gy,gz,ax,ay,az,host_us\n")
        for host, number, seq, stamp, v in rows:
            file.write(f"{stamp},{number},{seq},{v[0]:.5f},{v[1]:.5f},{v[2]:.5f},{v[3]:.6f},{v[4]:.6f},{v[5]:.6f},{host}\n")
    with open(out + ".markers.csv", "w") as file:
        file.write("host_us,kind,value\n")
        file.writelines(f"{round((at + 700.0) * 1e6)},prompt,{word}\n" for at, word in prompts)
    device = {"player_hand": "left" if left else "right", "nodes": [
        {"node": n, "rate_hz": RATE, "gyro_fs_dps": 2000.0, "acc_fs_g": 16.0} for n in range(4)]}
    with open(out + ".device.json", "w") as file:
        json.dump(device, file)

    # Before the mirror a backswing turns about the long axis negatively.
    rates = {name: -np.degrees(body_rate(pose)[:, 1]) for name, pose in segments.items()}
    truth = []
    for swing in swings:
        entry = {"top_us": int(nodes[0].clock_us(np.array(swing["top_s"])))}
        for name, pose in segments.items():
            found = segment_truth(t, pose, rates[name], swing)
            entry[name] = {key: float(value) for key, value in found.items()}
            entry[name]["turn_at_top_deg"] *= -1
        truth.append(entry)
    with open(out + ".truth.json", "w") as file:
        json.dump(truth, file, indent=1)


main()
