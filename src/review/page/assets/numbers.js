// How numbers are written: decimal point or comma, metric or imperial. Kept in this browser alone.
// Only what the server marked as a number is touched: .n, .num, and what stands in data-m-s (m/s) or data-m (m),
// with its bar in data-sd.

const KEY = "hingeclock.writing";
const FACTS = { "m-s": { metric: [3.6, "km/h", 0], imperial: [2.236936, "mph", 0] }, m: { metric: [1, "m", 2], imperial: [3.28084, "ft", 1] } };
const choice = Object.assign({ decimals: "point", units: "metric" }, stored());

function stored() {
  try { return JSON.parse(localStorage.getItem(KEY)) || {}; } catch { return {}; }
}

/// A number as text in the reader's way.
export function written(value, decimals) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const text = value.toFixed(decimals).replace(/^-(?=0(\.0*)?$)/, "").replace("-", "−");
  return choice.decimals === "comma" ? text.replace(".", ",") : text;
}

/// Decimals that a bar earns: so many at least, and more while rounding would change it by more than a third.
function earned(bar, least) {
  for (let decimals = least; decimals < least + 3; decimals++) if (bar * 10 ** decimals >= 0.75) return decimals;
  return least;
}

/// A speed in m/s as text with its unit, in the reader's way: whole, or with so many decimals.
export function speed(mps, decimals) {
  const [factor, unit, usual] = FACTS["m-s"][choice.units];
  return written(mps * factor, decimals ?? usual) + "\u00a0" + unit;
}

/// A bar of a speed in the decimals that it earns.
export function speedBar(mps) {
  const [factor, , least] = FACTS["m-s"][choice.units];
  return speed(mps, earned(mps * factor, least));
}

/// What a speed in m/s is multiplied with, and the unit that it is then in.
export const speedUnit = () => FACTS["m-s"][choice.units];

function quantity(element, kind) {
  const [factor, unit, least] = FACTS[kind][choice.units];
  const value = Number(element.getAttribute("data-" + kind)) * factor, bar = Number(element.dataset.sd ?? 0) * factor;
  const decimals = earned(bar, least);
  const beside = element.dataset.sd === undefined ? "" : "\u00a0±\u00a0" + written(bar, decimals);
  element.textContent = written(value, decimals) + beside + "\u00a0" + unit;
}

function decimals(element) {
  const [from, to] = choice.decimals === "comma" ? [/(\d)\.(\d)/g, "$1,$2"] : [/(\d),(\d)/g, "$1.$2"];
  const walker = document.createTreeWalker(element, NodeFilter.SHOW_TEXT);
  for (let text = walker.nextNode(); text; text = walker.nextNode()) {
    const next = text.data.replace(from, to);
    if (next !== text.data) text.data = next;
  }
}

/// Writes all numbers below an element in the reader's way.
export function write(root) {
  for (const kind of Object.keys(FACTS)) root.querySelectorAll("[data-" + kind + "]").forEach((e) => quantity(e, kind));
  root.querySelectorAll(".n, .num, .card dd, .headline, .about, .cautions, .chart text").forEach(decimals);
}

function choose() {
  const box = document.getElementById("writing");
  if (!box) return;
  box.hidden = false;
  for (const name of ["decimals", "units"]) {
    const select = document.getElementById(name);
    select.value = choice[name];
    select.onchange = () => {
      choice[name] = select.value;
      try { localStorage.setItem(KEY, JSON.stringify(choice)); } catch { /* a private window keeps nothing */ }
      write(document);
      document.dispatchEvent(new Event("writing"));
    };
  }
}

choose();
if (choice.decimals !== "point" || choice.units !== "metric") write(document);
else document.querySelectorAll("[data-m-s]").forEach((e) => quantity(e, "m-s"));
document.addEventListener("parts", () => write(document));
