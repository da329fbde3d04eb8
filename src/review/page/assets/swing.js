// One swing: a cursor that runs over its angles, arm and club at the cursor, and the events as handles.

import { lanes } from "./lanes.js";
import { figure } from "./figure.js";
import { film } from "./film.js";
import { nearest } from "./film-player.js";
import { written } from "./numbers.js";

const place = document.getElementById("swing");
const bucket = place.dataset.bucket;
const number = Number(place.dataset.number);
const takesRemarks = place.hasAttribute("data-remarks");
const told = place.querySelector(".told");
const element = (id) => document.getElementById(id);

function say(what, wrong) {
  told.textContent = what;
  told.classList.toggle("wrong", Boolean(wrong));
}

async function start() {
  const answer = await fetch(location.pathname + "/motion.json");
  if (!answer.ok) return;
  const motion = await answer.json();
  const t = motion.t_ms;
  element("stage").hidden = false;
  element("mirrored").hidden = !motion.left_handed;
  const views = [figure(element("face-on"), motion, 0), figure(element("down-the-line"), motion, 1)];
  const drawn = lanes(element("lanes"), motion, { takesRemarks, seek, move, back });
  const cursor = element("cursor");
  cursor.min = t[0];
  cursor.max = t[t.length - 1];
  const speed = element("speed");
  let at = 0;
  const beside = film(motion, { seek_ms: (ms) => seek(nearest(t, ms)), pause: () => play(false), toggle: () => play(!playing) });

  function seek(index) {
    at = Math.min(Math.max(index, 0), t.length - 1);
    cursor.value = t[at];
    cursor.setAttribute("aria-valuetext", written(t[at], 0) + " ms against the top");
    views.forEach((view) => view(at));
    drawn.cursor(at);
    now();
    beside.cursor(t[at], playing, Number(speed.value));
    // For whatever else follows: ms against the top.
    place.dispatchEvent(new CustomEvent("cursor", { detail: { t_ms: t[at], playing } }));
  }

  function now() {
    const facts = [["Time", written(t[at], 0) + " ms"], ["Arm travel", written(100 * motion.arm_travel[at], 0) + " %"]];
    for (const lane of motion.lanes) facts.push([lane.name, written(lane.values[at], lane.unit === "°" ? 1 : 0) + " " + lane.unit]);
    element("now").replaceChildren(...facts.map(([name, value]) => {
      const row = document.createElement("div");
      const dt = document.createElement("dt"), dd = document.createElement("dd");
      dt.textContent = name;
      dd.textContent = value;
      row.append(dt, dd);
      return row;
    }));
  }

  // Playing goes by the clock of the film where one plays, else by that of the page, so that slow motion is as slow as
  // it says whatever the screen does.
  let playing = false;
  let from = null;
  function play(on) {
    const halts = playing && !on;
    playing = on;
    from = null;
    element("play").setAttribute("aria-pressed", String(on));
    if (halts) beside.rest();
    if (on && at === t.length - 1) seek(0);
    if (on) requestAnimationFrame(frame);
  }
  function frame(clock_ms) {
    if (!playing) return;
    const led_ms = beside.now_ms();
    if (from === null || led_ms !== null) from = { clock_ms, t_ms: led_ms ?? t[at] };
    const ms = from.t_ms + (clock_ms - from.clock_ms) * Number(speed.value);
    seek(nearest(t, ms));
    if (ms >= t[t.length - 1]) play(false); else requestAnimationFrame(frame);
  }

  async function remark(text, said) {
    const body = JSON.stringify({ number, takeaway_us: Number(place.dataset.takeaway), kind: "event", text });
    const headers = { "Content-Type": "application/json" };
    const answer = await fetch("/bucket/" + bucket + "/remark", { method: "POST", headers, body }).catch(() => null);
    if (!answer || !answer.ok) {
      say("Not kept: " + (answer ? (await answer.text()).trim() : "the connection is lost"), true);
      return false;
    }
    say(said);
    return true;
  }
  async function again() {
    const page = new DOMParser().parseFromString(await (await fetch(location.pathname)).text(), "text/html");
    const table = place.querySelector("section[aria-labelledby=events-title]");
    table.replaceWith(page.querySelector("section[aria-labelledby=events-title]"));
    document.dispatchEvent(new Event("parts"));
  }
  async function move(event, index) {
    if (!takesRemarks) return say(place.dataset.why, true);
    const at_us = Math.round(motion.top_us + t[index] * 1000);
    if (!(await remark(event.word + " " + at_us, event.name + " moved to " + written(t[index], 0) + " ms."))) return;
    event.moved_ms = t[index];
    beside.rest();
    drawn.handles();
    await again();
  }
  async function back(event) {
    if (!takesRemarks || event.moved_ms === null) return;
    if (!(await remark(event.word + " computed", event.name + " is back at the computed."))) return;
    event.moved_ms = null;
    beside.rest();
    drawn.handles();
    await again();
  }

  cursor.oninput = () => { play(false); seek(nearest(t, Number(cursor.value))); };
  speed.onchange = () => { if (playing) play(false), play(true); };
  element("play").onclick = () => play(!playing);
  element("back-frame").onclick = () => { play(false); seek(at - 1); };
  element("on-frame").onclick = () => { play(false); seek(at + 1); };
  place.addEventListener("click", (click) => {
    const row = click.target.closest("tr[data-event]");
    const event = row && motion.events.find((event) => event.word === row.dataset.event);
    if (!event) return;
    if (click.target.matches("[data-to-cursor]")) move(event, at);
    if (click.target.matches("[data-back]")) back(event);
  });
  document.addEventListener("keydown", (key) => {
    if (key.ctrlKey || key.metaKey || key.altKey || key.target.matches("input, select, button, summary, a, [role=slider]")) return;
    const does = { " ": () => play(!playing), ",": () => seek(at - 1), ".": () => seek(at + 1) }[key.key];
    if (!does) return;
    key.preventDefault();
    if (key.key !== " ") play(false);
    does();
  });
  document.addEventListener("writing", now);
  seek(nearest(t, 0));
  performance.mark("swing-ready");
}

const raw = element("raw");
if (raw) raw.addEventListener("toggle", async () => {
  if (!raw.open || raw.dataset.read) return;
  raw.dataset.read = "1";
  const answer = await fetch(raw.dataset.from).catch(() => null);
  // Opened once more, it is tried once more.
  if (!answer || !answer.ok) delete raw.dataset.read;
  element("raw-signals").innerHTML = answer && answer.ok ? await answer.text() : "<p>The recording could not be read.</p>";
});

start();
