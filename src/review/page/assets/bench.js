// The bucket on the bench: a swing in hand, picked swings laid over each other, and what is said of them.
// The rows are the server's; this only moves classes about and sends remarks. After a remark, or when a live page
// was told something new, the rows are other elements: all state is kept by the swing's takeaway.

const bench = document.getElementById("bench");
const bucket = bench.dataset.bucket;
const takesRemarks = bench.hasAttribute("data-remarks");
const toolbar = document.getElementById("saying");
const told = document.getElementById("told");
const words = document.getElementById("words");
const text = document.getElementById("words-text");
const picked = new Set();
let inHand = null;
let only = false;

const rows = () => Array.from(bench.querySelectorAll("#swing-table tbody tr"));
const rowOf = (takeaway) => rows().find((row) => row.dataset.takeaway === takeaway);

/// Brings classes and checkboxes to what is picked and in hand.
function show() {
  const numbers = new Set();
  let hand = null;
  for (const row of rows()) {
    const is = picked.has(row.dataset.takeaway);
    row.classList.toggle("picked", is);
    row.classList.toggle("in-hand", row.dataset.takeaway === inHand);
    row.querySelector("input").checked = is;
    if (is) numbers.add(row.dataset.swing);
    if (row.dataset.takeaway === inHand) hand = row;
  }
  bench.classList.toggle("some-picked", numbers.size > 0);
  bench.classList.toggle("picked-only", only && numbers.size > 0);
  bench.querySelectorAll("svg [data-swing]").forEach((mark) => {
    mark.classList.toggle("picked", numbers.has(mark.dataset.swing));
    mark.classList.toggle("in-hand", hand !== null && mark.dataset.swing === hand.dataset.swing);
  });
  bench.querySelectorAll(".of-club").forEach((group) => {
    group.classList.toggle("without-picked", !group.querySelector(".picked"));
  });
  document.getElementById("in-hand").textContent =
    (hand ? "Swing " + hand.dataset.swing + ", " + hand.dataset.club : "No swing in hand: tap a row") +
    (numbers.size ? "; " + numbers.size + " picked" : "");
  toolbar.classList.toggle("of-none", hand === null);
  toolbar.querySelector("[data-action=compare]").setAttribute("aria-pressed", String(only));
  // Without a swing there is room for what is told of the bucket alone.
  toolbar.hidden = rows().length === 0 && !told.textContent;
}

function take(row, focus) {
  if (!row) return;
  // What was told was of the swing before.
  if (inHand !== row.dataset.takeaway) say("");
  inHand = row.dataset.takeaway;
  show();
  if (focus) {
    row.querySelector("input").focus({ preventScroll: true });
    row.scrollIntoView({ block: "nearest" });
  }
}

function pick(takeaway) {
  if (!picked.delete(takeaway)) picked.add(takeaway);
  show();
}

function step(by) {
  const all = rows();
  const at = all.findIndex((row) => row.dataset.takeaway === inHand);
  take(all[at < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(Math.max(at + by, 0), all.length - 1)], true);
}

function say(what, wrong) {
  told.textContent = what;
  told.classList.toggle("wrong", Boolean(wrong));
  toolbar.hidden = rows().length === 0 && !what;
}

/// Keeps remarks on a swing, or on the bucket where there is none, one after the other, then fetches what the server
/// makes of them.
async function keep(row, remarks) {
  const swing = row ? { number: Number(row.dataset.swing), takeaway_us: Number(row.dataset.takeaway) } : {};
  for (const said of remarks) {
    const body = JSON.stringify({ ...swing, ...said });
    const headers = { "Content-Type": "application/json" };
    const answer = await fetch("/bucket/" + bucket + "/remark", { method: "POST", headers, body }).catch(() => null);
    if (!answer || !answer.ok) {
      say("Not kept: " + (answer ? (await answer.text()).trim() : "the connection is lost"), true);
      return;
    }
  }
  await again();
  say(row ? "Kept for swing " + swing.number + "." : "Kept for the bucket.");
}

/// Puts the server's newest parts in place of the old ones.
async function again() {
  const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const id of ["live-heading", "live-bucket"]) {
    const place = document.getElementById(id);
    const across = Array.from(place.querySelectorAll(".scroll"), (frame) => frame.scrollLeft);
    place.replaceChildren(...page.getElementById(id).childNodes);
    place.querySelectorAll(".scroll").forEach((frame, at) => { frame.scrollLeft = across[at] || 0; });
  }
  document.dispatchEvent(new Event("parts"));
}

/// Asks for words; none where the reader thought better of it.
function ask(title, label, offers, value) {
  document.getElementById("words-title").textContent = title;
  document.getElementById("words-label").textContent = label;
  document.getElementById("words-list").replaceChildren(...offers.map((offer) => new Option("", offer)));
  text.value = value || "";
  words.returnValue = "no";
  words.showModal();
  text.focus();
  return new Promise((done) => {
    words.onclose = () => done(words.returnValue === "say" && text.value.trim() ? text.value.trim() : null);
  });
}

const tagsOf = (row) => Array.from(row.querySelectorAll(".tag"), (tag) => tag.textContent);
const allOf = (what) => Array.from(new Set(rows().flatMap(what)));

async function noteOnBucket() {
  const note = await ask("Note on the bucket", "Note", []);
  if (note) await keep(null, [{ kind: "note", text: note }]);
}

const actions = {
  best: (row) => keep(row, [{ kind: row.classList.contains("best") ? "untag" : "tag", text: "best" }]),
  tag: async (row) => {
    const word = await ask("Tag swing " + row.dataset.swing, "Tag; one it has already is taken off", allOf(tagsOf));
    if (word) await keep(row, [{ kind: tagsOf(row).includes(word) ? "untag" : "tag", text: word }]);
  },
  note: async (row) => {
    const note = await ask("Note on swing " + row.dataset.swing, "Note", []);
    if (note) await keep(row, [{ kind: "note", text: note }]);
  },
  club: async (row) => {
    const clubs = allOf((row) => [row.dataset.club]);
    const club = await ask("Club of swing " + row.dataset.swing, "Club that was really used", clubs, row.dataset.club);
    if (club && club !== row.dataset.club) await keep(row, [{ kind: "club", text: club }]);
  },
  exclude: async (row) => {
    if (row.classList.contains("left-out")) return keep(row, [{ kind: "include" }]);
    const why = await ask("Leave swing " + row.dataset.swing + " out of statistics", "Reason", ["topped", "warm-up", "practice swing"]);
    if (why) await keep(row, [{ kind: "exclude", text: why }]);
  },
};

function act(name) {
  const row = rowOf(inHand);
  if (name === "keys") return document.getElementById("keys").showModal();
  if (name === "compare") { only = !only; return show(); }
  if (name === "bucket-note" && takesRemarks) return noteOnBucket();
  if (!row && name !== "bucket-note") return say("Take a swing in hand first: ↓ or a tap on its row.");
  if (!takesRemarks) return say(bench.dataset.why, true);
  return actions[name](row);
}

const keys = {
  ArrowDown: () => step(1), j: () => step(1), ArrowUp: () => step(-1), k: () => step(-1),
  p: () => inHand && pick(inHand), " ": () => inHand && pick(inHand),
  Enter: () => { const row = rowOf(inHand); if (row) location.assign(row.querySelector("[data-open]").href); },
  b: () => act("best"), t: () => act("tag"), n: () => act("note"), c: () => act("club"), x: () => act("exclude"),
  N: () => act("bucket-note"), v: () => act("compare"), "?": () => act("keys"),
  Escape: () => { picked.clear(); only = false; show(); },
};

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
  const at = event.target;
  const row = at.closest && at.closest("#swing-table tbody tr");
  // Where the key has a meaning of its own it keeps it: in fields, on buttons and links.
  if (at.matches("select, textarea, input:not([type=checkbox])")) return;
  if ((event.key === "Enter" || event.key === " ") && !(row && at.matches("input"))) {
    if (at.matches("a, button, input, summary, [tabindex]")) return;
  }
  const does = keys[event.key];
  if (!does) return;
  event.preventDefault();
  does();
});

bench.addEventListener("click", (event) => {
  const button = event.target.closest("[data-action]");
  if (button) return act(button.dataset.action);
  const row = event.target.closest("#swing-table tbody tr");
  if (!row) {
    const mark = event.target.closest("svg [data-swing]");
    if (mark) take(rows().find((row) => row.dataset.swing === mark.dataset.swing), false);
    return;
  }
  if (event.target.matches("input[type=checkbox]")) {
    inHand = row.dataset.takeaway;
    pick(row.dataset.takeaway);
  } else if (!event.target.closest("a")) {
    take(row, false);
  }
});
bench.addEventListener("focusin", (event) => {
  const row = event.target.closest("#swing-table tbody tr");
  if (row && row.dataset.takeaway !== inHand) take(row, false);
});

document.addEventListener("parts", show);
show();
performance.mark("bench-ready");
