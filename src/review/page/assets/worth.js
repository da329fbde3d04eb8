// What a change would be worth: for each change a curve of the head's speed, and a handle that is drawn along it. All
// curves stand on one scale, so that the steeper one is worth more.

import { speed, speedDecimals, speedUnit, written } from "./numbers.js";

const NS = "http://www.w3.org/2000/svg";
const WIDTH = 420, HEIGHT = 232, LEFT = 58, RIGHT = 408, UPPER = 14, LOWER = 186;
/// By unit: the decimals of its values, and the steps of a handle between two that were worked out; what lies between
/// them is read off in proportion.
const UNITS = { ms: [0, 10], cm: [1, 10], g: [0, 5], "%": [1, 5] };
/// The scale holds at least so much, m/s: less is nothing.
const LEAST_MPS = 2;

const make = (name, attributes, parent) => {
  const element = document.createElementNS(NS, name);
  Object.entries(attributes).forEach(([key, value]) => element.setAttribute(key, value));
  parent.append(element);
  return element;
};
const label = (words, attributes, parent) => { make("text", attributes, parent).textContent = words; };
const html = (name, words, parent) => {
  const element = document.createElement(name);
  element.textContent = words;
  parent.append(element);
  return element;
};

/// The values of a curve around no change for which the model has a swing.
function known(points) {
  const middle = points.findIndex((point) => point.by === 0);
  if (middle < 0 || points[middle].head_mps === null) return null;
  let from = middle, to = middle;
  while (from > 0 && points[from - 1].head_mps !== null) from--;
  while (to < points.length - 1 && points[to + 1].head_mps !== null) to++;
  return points.slice(from, to + 1);
}

/// Speeds at a value, in proportion between the two that were worked out around it; beyond trust where one of them is.
function read(points, by) {
  const after = Math.max(1, points.findIndex((point) => point.by >= by));
  const a = points[after - 1], b = points[after] ?? a;
  if (b.by === by || a === b) return b;
  const part = (by - a.by) / (b.by - a.by);
  const between = (key) => a[key] + part * (b[key] - a[key]);
  return {
    by, beyond: a.beyond || b.beyond, head_mps: between("head_mps"), change_mps: between("change_mps"),
    change_low_mps: between("change_low_mps"), change_high_mps: between("change_high_mps"),
  };
}

/// Lowest and highest of what can be trusted, over all curves, m/s.
function scaleOf(curves, own) {
  let low = own - LEAST_MPS, high = own + LEAST_MPS;
  for (const points of curves) {
    for (const point of points.filter((point) => !point.beyond)) {
      low = Math.min(low, own + point.change_low_mps);
      high = Math.max(high, own + point.change_high_mps);
    }
  }
  return [low, high];
}

function ticks(low, high) {
  const rough = (high - low) / 4, power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((times) => times * power >= rough);
  const found = [];
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) found.push(value);
  return found;
}

function draw(place, object) {
  const club = object.clubs[0];
  place.replaceChildren();
  const usable = club.curves.map((curve) => ({ curve, points: known(curve.points) })).filter(({ points }) => points && points.length > 1);
  for (const reason of club.left_out) html("p", "Left out: " + reason + ".", place).className = "about";
  if (!usable.length) {
    html("p", "There is no swing with this club that a pendulum can be fitted to.", place);
    return;
  }
  const lead = html("p", "", place);
  key(place);
  const figures = html("div", "", place);
  figures.className = "worths";
  const own = club.head_mps;
  const scale = scaleOf(usable.map(({ points }) => points), own);
  const drawn = usable.map(({ curve, points }) => chart(figures, curve, points, { own, scale, swings: curve.swings }));
  html("p", object.validity, place).className = "about";
  function words() {
    const spread = club.head_mps_own_sd === null ? "" : ", from swing to swing ±\u00a0" + speed(club.head_mps_own_sd, speedDecimals(club.head_mps_own_sd));
    const of = club.swings.length === 1 ? "swing " : "swings ";
    lead.textContent = `${club.club}: ${speed(own)} in the middle${spread}. Worked out from ${of}${club.swings.join(", ")}. ` +
      "Drag a handle, or step it with the arrow keys (with Shift to the next value that was worked out); Home and End go to the ends, Delete back to your own swing.";
    drawn.forEach((again) => again());
  }
  words();
  document.addEventListener("writing", words);
  performance.mark("worth-ready");
}

function key(place) {
  const list = html("ul", "", place);
  list.className = "worth-key";
  const kinds = [["own-spread", "your own spread from swing to swing (one standard deviation)"], ["likely", "lowest to highest over the swings and both ways of keeping the effort"], ["untrusted", "outside what the model can be trusted with"]];
  for (const [kind, words] of kinds) {
    const item = html("li", "", list);
    const svg = make("svg", { viewBox: "0 0 26 14", width: 26, height: 14, "aria-hidden": "true" }, item);
    make("rect", { class: kind, width: 26, height: 14 }, svg);
    item.append(" " + words);
  }
}

/// One curve; the function it gives writes it anew in the reader's way.
function chart(place, curve, points, { own, scale, swings }) {
  const figure = html("figure", "", place);
  const [name] = curve.meaning.split(";");
  html("figcaption", name[0].toUpperCase() + name.slice(1), figure);
  const svg = make("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "chart", role: "group", "aria-label": "Head speed by: " + curve.meaning, "data-change": curve.change }, figure);
  const output = html("output", "", figure);
  output.setAttribute("role", "status");
  const first = points[0].by, last = points[points.length - 1].by, span = curve.points.map((point) => point.by);
  const x = (by) => LEFT + ((by - span[0]) / (span[span.length - 1] - span[0])) * (RIGHT - LEFT);
  const y = (mps) => LOWER - ((mps - scale[0]) / (scale[1] - scale[0])) * (LOWER - UPPER);
  const [decimals, parts] = UNITS[curve.unit];
  const step = (span[1] - span[0]) / parts;
  const clip = "plot-" + curve.change;
  make("rect", { x: LEFT, y: UPPER, width: RIGHT - LEFT, height: LOWER - UPPER }, make("clipPath", { id: clip }, make("defs", {}, svg)));
  const plot = make("g", { "clip-path": `url(#${clip})` }, svg);
  const axes = make("g", {}, svg);

  const band = (kind, from, to) => make("rect", { class: kind, x: x(from), y: UPPER, width: Math.max(x(to) - x(from), 0), height: LOWER - UPPER }, plot);
  const trusted = points.filter((point) => !point.beyond).map((point) => point.by);
  // What lies between a value that can be trusted and one that cannot is none.
  const [from, to] = [Math.min(...trusted, 0), Math.max(...trusted, 0)];
  if (from > span[0]) band("untrusted", span[0], from);
  if (to < span[span.length - 1]) band("untrusted", to, span[span.length - 1]);
  if (curve.own_sd !== null) band("own-spread", Math.max(-curve.own_sd, span[0]), Math.min(curve.own_sd, span[span.length - 1]));
  const at = (point, mps) => x(point.by).toFixed(1) + " " + y(mps).toFixed(1);
  const upper = points.map((point) => at(point, own + point.change_high_mps));
  const lower = points.map((point) => at(point, own + point.change_low_mps)).reverse();
  make("path", { class: "likely", d: "M" + [...upper, ...lower].join("L") + "Z" }, plot);
  make("path", { class: "now-line", d: `M${LEFT} ${y(own)}H${RIGHT}M${x(0)} ${UPPER}V${LOWER}` }, plot);
  for (let i = 1; i < points.length; i++) {
    const beyond = points[i - 1].beyond || points[i].beyond ? " beyond" : "";
    make("path", { class: "worth-curve" + beyond, d: "M" + at(points[i - 1], points[i - 1].head_mps) + "L" + at(points[i], points[i].head_mps) }, plot);
  }

  const slider = make("g", {
    class: "handle", role: "slider", tabindex: "0", "aria-label": curve.meaning, "aria-orientation": "horizontal",
    "aria-valuemin": first, "aria-valuemax": last,
  }, svg);
  // A finger is wider than the mark that it takes hold of.
  const hold = make("circle", { class: "hold", r: 24 }, slider);
  const thumb = make("circle", { class: "thumb", r: 9 }, slider);
  const back = html("button", "Back to my swing", figure);
  back.type = "button";
  let by = 0;

  function sentence({ head_mps, change_mps, change_low_mps, change_high_mps, beyond }) {
    if (by === 0) return "Your swings as they are: " + speed(own) + own_words();
    const how = `${written(Math.abs(by), decimals)}\u00a0${curve.unit} ${by > 0 ? curve.more : curve.less}`;
    const digits = speedDecimals((change_high_mps - change_low_mps) / 2);
    const than = change_mps < 0 ? "slower" : "faster";
    const change = `${speed(head_mps)}, ${speed(Math.abs(change_mps), digits)} ${than}`;
    const likely = `(from ${signed(change_low_mps, digits)} to ${signed(change_high_mps, digits)} over ${swings} ${swings === 1 ? "swing" : "swings"} and both ways of keeping the effort)`;
    const nothing = change_low_mps <= 0 && change_high_mps >= 0 ? " It may as well be worth nothing." : "";
    const outside = beyond ? " Outside what the model can be trusted with for you." : "";
    return `${how}: head speed ${change} ${likely}.${nothing}${outside}`;
  }
  const signed = (mps, digits) => {
    const text = speed(mps, digits);
    return (/[1-9]/.test(text.split("\u00a0")[0]) && mps > 0 ? "+" : "") + text;
  };
  const own_words = () => curve.own_sd === null ? "." : `. You differ by ±\u00a0${written(curve.own_sd, decimals)}\u00a0${curve.unit} from swing to swing` +
    (curve.per_own_sd_mps === null ? "." : `, which is worth ${signed(curve.per_own_sd_mps, 1)}.`);

  function show() {
    const point = read(points, by);
    const [cx, cy] = [x(by), Math.min(Math.max(y(point.head_mps), UPPER), LOWER)];
    for (const circle of [hold, thumb]) { circle.setAttribute("cx", cx); circle.setAttribute("cy", cy); }
    const said = sentence(point);
    slider.setAttribute("aria-valuenow", by);
    slider.setAttribute("aria-valuetext", said);
    output.textContent = said;
    back.disabled = by === 0;
  }
  function go(value) {
    const steps = Math.round(value / step);
    by = Math.min(Math.max(Number((steps * step).toFixed(6)), first), last);
    show();
  }

  slider.addEventListener("keydown", (pressed) => {
    const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -parts, PageUp: parts }[pressed.key];
    const to = { Home: first, End: last, Delete: 0, Backspace: 0 }[pressed.key];
    if (steps === undefined && to === undefined) return;
    pressed.preventDefault();
    go(to ?? by + steps * step * (pressed.shiftKey ? parts : 1));
  });
  const pointed = (event) => {
    const box = svg.getBoundingClientRect();
    return span[0] + ((((event.clientX - box.left) / box.width) * WIDTH - LEFT) / (RIGHT - LEFT)) * (span[span.length - 1] - span[0]);
  };
  let dragging = false;
  slider.addEventListener("pointerdown", (event) => {
    dragging = true;
    slider.setPointerCapture(event.pointerId);
    event.preventDefault();
    slider.focus();
  });
  slider.addEventListener("pointermove", (event) => { if (dragging) go(pointed(event)); });
  slider.addEventListener("pointerup", () => { dragging = false; });
  slider.addEventListener("pointercancel", () => { dragging = false; });
  back.addEventListener("click", () => go(0));

  return () => {
    axes.replaceChildren();
    make("path", { class: "line", d: `M${LEFT} ${UPPER}V${LOWER}H${RIGHT}` }, axes);
    const [factor, unit] = speedUnit();
    for (const value of ticks(scale[0] * factor, scale[1] * factor)) {
      const line = y(value / factor);
      make("path", { class: "grid", d: `M${LEFT} ${line}H${RIGHT}` }, axes);
      label(written(value, 0), { x: LEFT - 6, y: line + 4.5, "text-anchor": "end" }, axes);
    }
    label(unit, { x: LEFT + 5, y: UPPER + 8, class: "name" }, axes);
    span.filter((_, i) => i % 2 === 0).forEach((value) => label((value > 0 ? "+" : "") + written(value, 0), { x: x(value), y: LOWER + 18, "text-anchor": value === last ? "end" : "middle" }, axes));
    label(`← ${curve.less}, ${curve.unit}, ${curve.more} →`, { x: (LEFT + RIGHT) / 2, y: LOWER + 38, "text-anchor": "middle", class: "name" }, axes);
    show();
  };
}

const place = document.getElementById("worth");
if (place) place.addEventListener("toggle", async () => {
  if (!place.open || place.dataset.read) return;
  place.dataset.read = "1";
  const curves = document.getElementById("worth-curves");
  const answer = await fetch(place.dataset.from).catch(() => null);
  if (answer && answer.ok) return draw(curves, await answer.json());
  curves.replaceChildren();
  html("p", "Not known: " + (answer ? (await answer.text()).trim() : "the connection is lost") + ".", curves);
  delete place.dataset.read;
});
