// A phone clip of the swing beside the curves: laid by the click of impact in its sound, or by hand. The cursor moves
// the film, the film moves the cursor. The clip is opened where it is and never sent; what is kept of it, in this
// browser, is how it was laid.

import { clicks, quickened, sureness } from "./click.js";
import { player } from "./film-player.js";
import { written } from "./numbers.js";

/// In air of 20 °C.
const SOUND_M_S = 343;
const RATE_HZ = 48000;
/// How well a click is found, ms, and the phone's distance known, m.
const CLICK_MS = 1, DISTANCE_SD_M = 0.5;
/// How far sound and picture may be apart where the file does not say when its sound begins, ms.
const UNTOLD_MS = 25;
const LARGEST_HEARD = 400e6;
const KEY = "hingeclock.films", MOST_KEPT = 100;

const element = (id) => document.getElementById(id);

/// Prepares the place for a clip. `hooks`: `seek_ms` moves the cursor, `pause` halts it, `toggle` plays or halts.
export function film(motion, hooks) {
  const play = player(element("film-video"), draw);
  const recorded = element("film-recorded"), distance = element("film-distance"), at = element("film-at");
  let file = null, begins_s = 0, samples = null, found = [], laid = null, why = "", untold = false;
  let cursor_ms = 0, heeds = true;

  const eventMs = (word) => {
    const event = motion.events.find((event) => event.word === word);
    return event ? event.moved_ms ?? event.at_ms : null;
  };
  /// Seconds of film for one of the swing: more than one where it was recorded faster than it plays.
  const pace = () => {
    const factor = Math.max(number(recorded) * play.length_s(), 0.1);
    // As fast as it plays, but for the rounding of what the field shows.
    return Math.abs(factor - 1) < 0.01 ? 1 : factor;
  };
  const soundLate_s = () => (laid.by === "sound" ? (pace() * number(distance)) / SOUND_M_S : 0);
  const filmOf = (t_ms) => laid.film_s - soundLate_s() + (pace() * (t_ms - eventMs(laid.event))) / 1000;
  const msOf = (film_s) => eventMs(laid.event) + ((film_s - laid.film_s + soundLate_s()) / pace()) * 1000;
  const halfFrame_ms = () => (play.length_s() / pace()) * 500;
  const isLaid = () => laid !== null && eventMs(laid.event) !== null;

  async function take(chosen) {
    away();
    say("Reading the clip …");
    const opened = await play.open(chosen).catch(() => null);
    if (!opened) {
      play.close();
      return say("This browser cannot show this clip. Saved as MP4 with H.264 it can.", true);
    }
    file = chosen;
    recorded.value = recorded.defaultValue = Math.round(100 / play.length_s()) / 100;
    [at.min, at.max] = play.ends();
    element("film-figure").hidden = false;
    element("laying").hidden = false;
    const kept = keptOfIt();
    if (kept) [recorded.value, distance.value] = [kept.recorded, kept.distance_m];
    await hear(opened);
    laid = kept ? kept.laid : byClick(0);
    follow();
  }

  function away() {
    play.close();
    [file, samples, found, laid, why] = [null, null, [], null, ""];
    element("film-figure").hidden = true;
    element("laying").hidden = true;
    say("");
  }

  /// Reads the sound and puts it on the time of the picture.
  async function hear({ tracks, ahead_s }) {
    const [sound, picture] = ["soun", "vide"].map((kind) => tracks.find((track) => track.kind === kind));
    why = tracks.length === 0 ? "Only MP4 and MOV tell when their sound begins."
      : !sound ? "This clip has no sound."
      : sound.pieces > 1 || picture?.pieces > 1 ? "This clip is put together of several pieces."
      : file.size > LARGEST_HEARD ? "This clip is too large to listen to; one that holds the swing alone is not." : "";
    if (why) return;
    try {
      const heard = await new OfflineAudioContext(1, 1, RATE_HZ).decodeAudioData(await file.arrayBuffer());
      samples = oneChannel(heard);
    } catch {
      why = "The sound of this clip cannot be read.";
      return;
    }
    // The browser heeds where a list of edits cuts the sound, but leaves out the silence before it.
    begins_s = sound.empty_s - ahead_s;
    untold = sound.pieces === 0;
    listen();
  }
  function listen() {
    if (!samples) return;
    const slowed = Math.max(1, Math.round(pace()));
    found = clicks(quickened(samples, slowed), RATE_HZ).map((click) => ({ ...click, film_s: begins_s + click.at_s * slowed }));
    why = found.length ? "" : "No click stands out in the sound.";
  }

  function byClick(which) {
    return found[which] && eventMs("impact") !== null ? { by: "sound", event: "impact", film_s: found[which].film_s } : null;
  }
  function layBy(next) {
    if (!next) return;
    laid = next;
    keep();
    follow();
  }
  function byHand(event) {
    if (!file || eventMs(event) === null) return;
    hooks.pause();
    layBy({ by: "hand", event, film_s: play.shown_s() });
    hooks.seek_ms(eventMs(event));
  }
  function nudge(frames) {
    if (isLaid()) layBy({ ...laid, by: "hand", film_s: laid.film_s - soundLate_s() + frames * play.length_s() });
  }
  function nextClick() {
    const now = found.findIndex((click) => laid?.by === "sound" && click.film_s === laid.film_s);
    layBy(byClick((now + 1) % found.length));
  }

  /// Shows the frame at the cursor.
  function follow() {
    if (isLaid()) play.showAt(filmOf(cursor_ms));
    draw();
  }
  /// Shows a frame and takes the cursor along.
  function leadTo(film_s, steps) {
    hooks.pause();
    const shown_s = play.showAt(film_s, steps);
    if (!isLaid()) return;
    heeds = false;
    hooks.seek_ms(msOf(shown_s));
    heeds = true;
    draw();
  }

  function draw() {
    if (!file) return;
    const shown_s = play.shown_s();
    element("film-figure").setAttribute("aria-busy", String(!play.rests()));
    element("film-figure").classList.toggle("beyond", isLaid() && !play.holds(filmOf(cursor_ms)));
    element("film-time").textContent = written(shown_s, 3) + " s";
    if (play.rests()) at.value = shown_s;
    at.setAttribute("aria-valuetext", written(shown_s, 3) + " s");
    ["film-earlier", "film-later"].forEach((id) => { element(id).disabled = !isLaid(); });
    element("film-impact").disabled = eventMs("impact") === null;
    element("film-next").disabled = found.length < 2 || eventMs("impact") === null;
    tell();
  }
  function tell() {
    if (!isLaid()) {
      const impact = eventMs("impact") !== null;
      const none = impact ? why : "This swing has no impact.";
      return say(`${none} Find ${impact ? "the frame of impact and press i, or " : ""}the frame of the top and press t.`.trim());
    }
    if (laid.by === "hand") return say(`Laid by hand at ${laid.event === "top" ? "the top" : laid.event}, ± ${written(halfFrame_ms(), 0)} ms (half a frame).`);
    const off_ms = untold ? UNTOLD_MS : Math.hypot(CLICK_MS, (1000 * DISTANCE_SD_M) / SOUND_M_S);
    const which = found.findIndex((click) => click.film_s === laid.film_s);
    const sure = { clear: "Clear.", likely: "Likely; have a look.", "not sure": "Not sure: others fit as well, k takes the next." };
    const words = which === 0 ? sure[sureness(found)] : which > 0 ? `Number ${which + 1} of ${found.length} by how well they fit.` : "";
    const hint = untold ? " The clip does not say when its sound begins." : "";
    say(`Laid by the click at ${written(laid.film_s, 3)} s, ± ${written(off_ms, 0)} ms. ${words}${hint}`);
  }
  function say(words, wrong) {
    const place = element("laid");
    if (place.textContent !== words) place.textContent = words;
    place.classList.toggle("wrong", Boolean(wrong));
  }

  const id = () => [document.getElementById("swing").dataset.takeaway, file.name, file.size].join("/");
  function keep() {
    const all = { ...stored(), [id()]: { laid, recorded: recorded.value, distance_m: distance.value } };
    const newest = Object.fromEntries(Object.entries(all).slice(-MOST_KEPT));
    try { localStorage.setItem(KEY, JSON.stringify(newest)); } catch { /* a private window keeps nothing */ }
  }
  function keptOfIt() {
    const kept = stored()[id()];
    return kept && Number.isFinite(kept.laid?.film_s) ? kept : null;
  }

  recorded.onchange = () => {
    const bySound = laid?.by === "sound";
    listen();
    if (bySound) laid = byClick(0);
    if (laid) keep();
    follow();
  };
  distance.onchange = () => { if (laid) keep(); follow(); };
  at.oninput = () => leadTo(Number(at.value), 0);
  at.onkeydown = (key) => {
    const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[key.key];
    if (!steps) return;
    key.preventDefault();
    leadTo(play.shown_s(), steps);
  };
  const does = {
    "film-back": () => leadTo(play.shown_s(), -1), "film-on": () => leadTo(play.shown_s(), 1),
    "film-impact": () => byHand("impact"), "film-top": () => byHand("top"),
    "film-earlier": () => nudge(-1), "film-later": () => nudge(1), "film-next": nextClick,
    "film-away": () => { away(); element("film-file").value = ""; element("film-file").focus(); },
  };
  for (const [id, act] of Object.entries(does)) element(id).onclick = act;
  element("film-video").onclick = hooks.toggle;
  element("film-file").onchange = (event) => { if (event.target.files[0]) take(event.target.files[0]); };
  document.addEventListener("keydown", (key) => {
    if (!file || key.ctrlKey || key.metaKey || key.altKey || key.target.matches("input:not([type=range]), select, textarea")) return;
    const button = { i: "film-impact", t: "film-top", "[": "film-earlier", "]": "film-later", k: "film-next" }[key.key];
    if (button && !element(button).disabled) does[button]();
  });
  // Dropped anywhere on the page, a clip is taken; the browser would leave the page for it.
  document.addEventListener("dragover", (drag) => { if (drag.dataTransfer.types.includes("Files")) drag.preventDefault(); });
  document.addEventListener("drop", (drop) => {
    if (!drop.dataTransfer.files.length) return;
    drop.preventDefault();
    take(drop.dataTransfer.files[0]);
  });
  document.addEventListener("writing", draw);

  return {
    /// The cursor has moved. While the film plays, the cursor goes by it; else the film goes by the cursor.
    cursor(t_ms, playing, speed) {
      cursor_ms = t_ms;
      if (!heeds || !isLaid() || play.now_s() !== null) return;
      if (!(playing && play.lead(filmOf(t_ms), speed * pace()))) follow();
    },
    /// Where the playing film is, ms against the top; nothing where it does not play.
    now_ms: () => (isLaid() && play.now_s() !== null ? msOf(play.now_s()) : null),
    /// Halts, or lets an event that was moved take effect.
    rest() { if (file) { play.stop(); follow(); } },
  };
}

function number(field) {
  return Number.isFinite(field.valueAsNumber) ? field.valueAsNumber : Number(field.defaultValue);
}

function oneChannel(heard) {
  const sum = new Float32Array(heard.length);
  for (let which = 0; which < heard.numberOfChannels; which++) heard.getChannelData(which).forEach((value, i) => { sum[i] += value; });
  return sum;
}

function stored() {
  try { return JSON.parse(localStorage.getItem(KEY)) || {}; } catch { return {}; }
}
