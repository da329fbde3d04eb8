// How numbers are written: decimal point or comma, metric or imperial. Kept in this browser alone.
// Only what the server marked as a number is touched: .n, .num, and what stands in data-m-s (m/s) or data-m (m).

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

/// A speed in m/s as text with its unit, in the reader's way.
export function speed(mps, decimals) {
  const [factor, unit] = FACTS["m-s"][choice.units];
  return written(mps * factor, decimals) + "\u00a0" + unit;
}

/// What a speed in m/s is multiplied with, and the unit that it is then in.
export const speedUnit = () => FACTS["m-s"][choice.units];

function quantity(element, kind) {
  const [factor, unit, decimals] = FACTS[kind][choice.units];
  element.textContent = written(Number(element.getAttribute("data-" + kind)) * factor, decimals) + "\u00a0" + unit;
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
