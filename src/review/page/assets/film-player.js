// The film of a clip: when its frames are shown, and showing the one that is nearest to an instant. Times are s as the
// browser counts them, which is not always as the file does: it lets the first frame after a cut begin at the cut.

import { tracksOf } from "./film-times.js";

/// What browsers play at; slower than this the film is moved frame by frame.
const RATES = [1 / 16, 16];
/// Where a file does not tell its frames, they are looked for in steps of this, s, for at most so long.
const LOOK_S = [0.001, 0.15];
/// A frame that has not come by then, ms, does not come.
const PATIENCE_MS = 3000;

/// Takes hold of a video element; `showed` is called whenever another frame is shown, or the film comes to rest.
export function player(video, showed) {
  let frames = [0], length_s = 1 / 30, shown_s = 0;
  let came = false, wanted = null, aim = null, moving = false, leads = false, address = null;

  const heard = (name) => {
    const over = new AbortController();
    const options = { once: true, signal: over.signal };
    let patience = 0;
    return new Promise((resolve, reject) => {
      video.addEventListener(name, resolve, options);
      video.addEventListener("error", () => reject(video.error), options);
      patience = setTimeout(() => reject(new Error(name)), PATIENCE_MS * (name === "seeked" ? 1 : 10));
    }).finally(() => { over.abort(); clearTimeout(patience); });
  };
  function watch() {
    // A browser without it shows no clip; the rest of the page goes on.
    video.requestVideoFrameCallback?.((_, frame) => {
      shown_s = frame.mediaTime;
      came = true;
      putRight();
      showed();
      watch();
    });
  }
  watch();

  /// Loads a clip. Gives its tracks, and by how much the file's own time is ahead of the browser's, s.
  async function open(file) {
    close();
    address = URL.createObjectURL(file);
    const loaded = heard("loadeddata");
    video.src = address;
    await loaded;
    await seekTo(0);
    const tracks = await tracksOf(file);
    const told = tracks.find((track) => track.kind === "vide")?.frames ?? [];
    const ahead_s = told.length > 1 ? told[0] - shown_s : 0;
    frames = told.length > 1 ? told.map((time) => time - ahead_s) : await lookForFrames();
    length_s = middle(frames.slice(1).map((time, before) => time - frames[before]));
    return { tracks, ahead_s };
  }
  function close() {
    stop();
    aim = null;
    video.removeAttribute("src");
    video.load();
    if (address) URL.revokeObjectURL(address);
    address = null;
  }

  /// Frames at even steps: as far apart as the second and the third are, made finer by frames further and further away,
  /// since a file may round its times.
  async function lookForFrames() {
    const seen = [shown_s];
    const first_s = shown_s;
    for (let at_s = first_s; seen.length < 3 && at_s < first_s + LOOK_S[1]; at_s += LOOK_S[0]) {
      await seekTo(at_s);
      if (shown_s > seen[seen.length - 1]) seen.push(shown_s);
    }
    let step_s = seen.length === 3 ? seen[2] - seen[1] : 1 / 30;
    for (let far = 10; first_s + far * step_s < video.duration; far *= 8) {
      await seekTo(first_s + (far + 0.5) * step_s);
      step_s = (shown_s - first_s) / Math.max(1, Math.round((shown_s - first_s) / step_s));
    }
    const count = Math.max(1, Math.min(1e6, Math.round((video.duration - first_s) / step_s) || 1));
    return Array.from({ length: count }, (_, which) => first_s + which * step_s);
  }

  async function seekTo(at_s) {
    came = false;
    const done = heard("seeked");
    video.currentTime = at_s;
    await done;
    // The frame comes a little later than the word of it; one that was shown already may not come again.
    for (let wait = 0; wait < 6 && !came; wait++) await new Promise(requestAnimationFrame);
  }

  /// A film that was playing may still bring a frame after it was stopped, and after the right one was seen: once.
  function putRight() {
    if (aim === null || moving || !video.paused || nearest(frames, shown_s) === aim) return;
    const index = aim;
    aim = null;
    fetchFrame(index);
  }

  /// Shows a frame. While one is being fetched, only the newest wish counts.
  async function fetchFrame(index) {
    wanted = index;
    if (moving) return;
    moving = true;
    showed();
    while (wanted !== null) {
      const now = wanted;
      wanted = null;
      // In the middle of the time that it is shown, so that no rounding can show its neighbour.
      const until_s = frames[now + 1] ?? frames[now] + length_s;
      if (nearest(frames, shown_s) !== now || !video.paused) await seekTo((frames[now] + until_s) / 2).catch(() => null);
    }
    moving = false;
    showed();
  }

  /// Shows the frame nearest to an instant, or so many frames on from the one that is shown; gives its time.
  function showAt(at_s, steps = 0) {
    const index = Math.min(Math.max(nearest(frames, at_s) + steps, 0), frames.length - 1);
    aim = index;
    fetchFrame(index);
    return frames[index];
  }

  /// Plays from an instant on; false where it cannot: outside the film, or too slow for the browser.
  function lead(at_s, rate) {
    if (rate < RATES[0] || rate > RATES[1] || !holds(at_s) || at_s >= frames[frames.length - 1]) return false;
    wanted = aim = null;
    leads = true;
    video.playbackRate = rate;
    video.currentTime = at_s + length_s / 2;
    video.play().catch(() => { leads = false; });
    return true;
  }
  function stop() {
    leads = false;
    video.pause();
  }
  const holds = (at_s) => at_s >= frames[0] - length_s / 2 && at_s <= frames[frames.length - 1] + length_s / 2;

  return {
    open, close, showAt, lead, stop, holds,
    /// The instant that the playing film is at: half a frame behind its clock, since the nearest frame is to be seen.
    now_s: () => (leads && !video.paused && !video.ended ? video.currentTime - length_s / 2 : null),
    shown_s: () => shown_s,
    rests: () => !moving && video.paused,
    length_s: () => length_s,
    ends: () => [frames[0], frames[frames.length - 1]],
  };
}

/// Where in a rising row the value nearest to another stands.
export function nearest(row, value) {
  let low = 0, high = row.length - 1;
  while (high - low > 1) {
    const between = (low + high) >> 1;
    if (row[between] <= value) low = between; else high = between;
  }
  return value - row[low] < row[high] - value ? low : high;
}

function middle(values) {
  return values.length ? values.sort((a, b) => a - b)[values.length >> 1] : 1 / 30;
}
