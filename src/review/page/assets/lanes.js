// The angles over time, one below the other on one time axis, with the cursor and the events as handles.

import { written } from "./numbers.js";

const NS = "http://www.w3.org/2000/svg";
const WIDTH = 960, LEFT = 64, RIGHT = 950, TOP = 78, LANE = 84, GAP = 14;

const make = (name, attributes, parent) => {
  const element = document.createElementNS(NS, name);
  Object.entries(attributes).forEach(([key, value]) => element.setAttribute(key, value));
  if (parent) parent.append(element);
  return element;
};
const label = (words, attributes, parent) => { make("text", attributes, parent).textContent = words; };

/// Draws the lanes. `hooks` has `seek` for the cursor, `move` and `back` for an event.
export function lanes(place, motion, hooks) {
  const t = motion.t_ms;
  const height = TOP + motion.lanes.length * (LANE + GAP) + 30;
  const x = (ms) => LEFT + ((ms - t[0]) / (t[t.length - 1] - t[0])) * (RIGHT - LEFT);
  const svg = make("svg", { viewBox: `0 0 ${WIDTH} ${height}`, class: "chart lanes", role: "group", "aria-label": "Angles over time" });
  place.replaceChildren(svg);
  motion.lanes.forEach((lane, which) => drawLane(svg, lane, TOP + which * (LANE + GAP), t, x));
  for (let ms = Math.ceil(t[0] / 200) * 200; ms <= t[t.length - 1]; ms += 200) {
    label(written(ms, 0), { x: x(ms), y: height - 8, "text-anchor": "middle" }, svg);
  }
  const line = make("path", { class: "cursor" }, svg);
  const group = make("g", {}, svg);

  const indexAt = (event) => {
    const box = svg.getBoundingClientRect();
    const ms = t[0] + (((event.clientX - box.left) / box.width) * WIDTH - LEFT) / (RIGHT - LEFT) * (t[t.length - 1] - t[0]);
    return near(t, ms);
  };
  let scrubbing = false;
  svg.addEventListener("pointerdown", (event) => {
    if (event.target.closest("[role=slider]")) return;
    scrubbing = true;
    svg.setPointerCapture(event.pointerId);
    hooks.seek(indexAt(event));
  });
  svg.addEventListener("pointermove", (event) => { if (scrubbing) hooks.seek(indexAt(event)); });
  svg.addEventListener("pointerup", () => { scrubbing = false; });

  function handles() {
    const focused = group.contains(document.activeElement) ? document.activeElement.dataset.word : null;
    group.replaceChildren();
    const placed = motion.events.filter((event) => (event.moved_ms ?? event.at_ms) !== null);
    placed.forEach((event, order) => handle(group, event, order, { t, x, height, hooks, indexAt }));
    const again = focused && group.querySelector(`[data-word="${focused}"]`);
    if (again) again.focus();
  }
  handles();
  return { handles, cursor: (index) => line.setAttribute("d", `M${x(t[index])} ${TOP - 6}V${height - 24}`) };
}

function near(t, ms) {
  let best = 0;
  for (let i = 1; i < t.length; i++) if (Math.abs(t[i] - ms) < Math.abs(t[best] - ms)) best = i;
  return best;
}

function drawLane(svg, lane, upper, t, x) {
  const known = lane.values.filter((value) => value !== null);
  const low = Math.min(0, ...known), high = Math.max(1, ...known);
  const y = (value) => upper + LANE - ((value - low) / (high - low || 1)) * LANE;
  make("path", { class: "grid", d: `M${LEFT} ${upper}H${RIGHT}M${LEFT} ${upper + LANE}H${RIGHT}` }, svg);
  make("path", { class: "line", d: `M${LEFT} ${y(0)}H${RIGHT}` }, svg);
  let pen = "M";
  const d = lane.values.map((value, i) => {
    if (value === null) { pen = "M"; return ""; }
    const point = pen + x(t[i]).toFixed(1) + " " + y(value).toFixed(1);
    pen = "L";
    return point;
  }).join("");
  make("path", { class: "curve lane", d }, svg);
  label(written(high, 0), { x: LEFT - 6, y: upper + 11, "text-anchor": "end" }, svg);
  label(written(low, 0), { x: LEFT - 6, y: upper + LANE, "text-anchor": "end" }, svg);
  label(`${lane.name}, ${lane.unit}`, { x: LEFT + 6, y: upper + 13, class: "name" }, svg);
}

/// One event: a thin line where it was computed, and a handle where it holds now.
function handle(group, event, order, { t, x, height, hooks, indexAt }) {
  const now = () => event.moved_ms ?? event.at_ms;
  const upper = 14 + (order % 4) * 16;
  if (event.moved_ms !== null && event.at_ms !== null) {
    make("path", { class: "event computed", d: `M${x(event.at_ms)} ${TOP - 8}V${height - 24}` }, group);
  }
  const slider = make("g", {
    class: "handle" + (event.moved_ms === null ? "" : " moved"), role: "slider", tabindex: "0", "data-word": event.word,
    "aria-label": event.name, "aria-valuemin": Math.round(t[0]), "aria-valuemax": Math.round(t[t.length - 1]),
    "aria-orientation": "horizontal", "aria-disabled": String(!hooks.takesRemarks),
  }, group);
  const line = make("path", { class: "event" }, slider);
  // A finger is wider than the mark that it takes hold of.
  const hold = make("rect", { class: "hold", y: upper - 8, width: 30, height: 28 }, slider);
  const grip = make("path", { class: "grip" }, slider);
  const name = make("text", { "text-anchor": "middle", y: upper - 3 }, slider);
  name.textContent = event.name;
  let index = near(t, now());
  let waiting = 0;

  function show(ms) {
    const at = x(ms);
    line.setAttribute("d", `M${at} ${upper + 8}V${height - 24}`);
    grip.setAttribute("d", `M${at - 9} ${upper}h18l-9 12z`);
    hold.setAttribute("x", at - 15);
    name.setAttribute("x", Math.min(Math.max(at, 40), WIDTH - 40));
    slider.setAttribute("aria-valuenow", Math.round(ms));
    slider.setAttribute("aria-valuetext", `${written(ms, 0)} ms against the top` + (event.moved_ms === null ? ", as computed" : ", moved"));
  }
  show(now());
  if (!hooks.takesRemarks) {
    slider.addEventListener("keydown", (key) => { if (key.key === "Enter") hooks.seek(index); });
    return;
  }
  slider.addEventListener("keydown", (key) => {
    const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[key.key];
    if (step) {
      key.preventDefault();
      index = Math.min(Math.max(index + step * (key.shiftKey ? 10 : 1), 0), t.length - 1);
      show(t[index]);
      hooks.seek(index);
      // What is stepped through is kept once it rests.
      clearTimeout(waiting);
      waiting = setTimeout(() => hooks.move(event, index), 500);
    } else if (key.key === "Delete" || key.key === "Backspace") {
      key.preventDefault();
      clearTimeout(waiting);
      hooks.back(event);
    }
  });
  let dragging = false;
  slider.addEventListener("pointerdown", (pointer) => {
    dragging = true;
    slider.setPointerCapture(pointer.pointerId);
    pointer.preventDefault();
    slider.focus();
  });
  slider.addEventListener("pointermove", (pointer) => {
    if (!dragging) return;
    index = indexAt(pointer);
    show(t[index]);
    hooks.seek(index);
  });
  slider.addEventListener("pointercancel", () => { dragging = false; });
  slider.addEventListener("pointerup", () => {
    if (!dragging) return;
    dragging = false;
    if (t[index] !== now()) hooks.move(event, index);
  });
}
