// What an MP4 or MOV clip says of the times of its tracks: edit lists and the times of its frames (ISO/IEC 14496-12,
// 8.6). Only boxes that lead there are read, wherever in the file they stand; what is not understood counts as not there.

const LARGEST_MOOV = 64 * 1024 * 1024;
const MOST_BOXES = 10000;
const MOST_FRAMES = 1000000;

/// The tracks of a clip; none where it is no such file. Each has `kind` (`soun`, `vide`, …), `empty_s`, how long the
/// film waits before the track begins, `pieces`, out of how many of its parts it is put together (0: nothing is said),
/// and, for pictures, `frames`: when each is to be shown, s of the film, in order; empty where the file does not say.
export async function tracksOf(file) {
  let at = 0;
  for (let boxes = 0; boxes < MOST_BOXES && at + 8 <= file.size; boxes++) {
    const box = boxAt(new DataView(await file.slice(at, at + 16).arrayBuffer()), 0, file.size - at);
    if (!box) return [];
    if (box.type === "moov") return box.end > LARGEST_MOOV ? [] : tracksIn(await file.slice(at, at + box.end).arrayBuffer());
    at += box.end;
  }
  return [];
}

function tracksIn(bytes) {
  const view = new DataView(bytes);
  const moov = boxAt(view, 0, view.byteLength);
  if (!moov) return [];
  const movie = timescale(view, find(view, moov, "mvhd"));
  return within(view, moov).filter((box) => box.type === "trak").map((trak) => track(view, trak, movie)).filter(Boolean);
}

function track(view, trak, movie) {
  const mdia = find(view, trak, "mdia");
  const media = timescale(view, find(view, mdia, "mdhd"));
  const hdlr = find(view, mdia, "hdlr");
  if (!movie || !media || !hdlr || hdlr.from + 12 > hdlr.end) return null;
  const edits = editsIn(view, find(view, find(view, trak, "edts"), "elst"));
  const pieces = edits.filter((edit) => edit.from >= 0);
  const before = pieces.length ? edits.slice(0, edits.indexOf(pieces[0])) : [];
  const empty_s = before.reduce((sum, edit) => sum + edit.lasts, 0) / movie;
  const kind = letters(view, hdlr.from + 8);
  const from = pieces.length ? pieces[0].from : 0;
  const shown = kind === "vide" && pieces.length < 2 ? timesIn(view, find(view, find(view, mdia, "minf"), "stbl")) : [];
  const frames = shown.filter((time) => time >= from).map((time) => empty_s + (time - from) / media);
  return { kind, empty_s, pieces: pieces.length, frames };
}

/// The edits of a list: how long each lasts, in the film's time, and where in the track it begins, −1 for nothing.
function editsIn(view, box) {
  const long = version(view, box) === 1;
  const edit = (at) => (long ? { lasts: Number(view.getBigUint64(at)), from: Number(view.getBigInt64(at + 8)) } : { lasts: view.getUint32(at), from: view.getInt32(at + 4) });
  return rows(view, box, long ? 20 : 12).map(edit);
}

/// When each frame of a track is to be shown, in units of the track: decoding times with their composition offsets.
function timesIn(view, stbl) {
  const offsets = runs(rows(view, find(view, stbl, "ctts"), 8).map((at) => [view.getUint32(at), view.getInt32(at + 4)]));
  const steps = runs(rows(view, find(view, stbl, "stts"), 8).map((at) => [view.getUint32(at), view.getUint32(at + 4)]));
  let decoded = 0;
  const times = steps.map((step, which) => {
    const shown = decoded + (offsets[which] ?? 0);
    decoded += step;
    return shown;
  });
  return times.sort((a, b) => a - b);
}

function runs(pairs) {
  const values = [];
  for (const [count, value] of pairs) for (let i = 0; i < count && values.length < MOST_FRAMES; i++) values.push(value);
  return values;
}

/// Where the rows of a table begin: version and flags, how many, then the rows.
function rows(view, box, size) {
  if (!box || box.from + 8 > box.end) return [];
  const count = Math.min(view.getUint32(box.from + 4), Math.floor((box.end - box.from - 8) / size));
  return Array.from({ length: count }, (_, row) => box.from + 8 + row * size);
}

/// Units a second, as `mvhd` and `mdhd` have them; 0 where they have none.
function timescale(view, box) {
  return box && box.from + 24 <= box.end ? view.getUint32(box.from + (version(view, box) === 1 ? 20 : 12)) : 0;
}

function version(view, box) {
  return box && box.from < box.end ? view.getUint8(box.from) : 0;
}

function find(view, box, type) {
  return box ? within(view, box).find((inner) => inner.type === type) : undefined;
}

function within(view, outer) {
  const boxes = [];
  for (let at = outer.from; boxes.length < MOST_BOXES; at = boxes[boxes.length - 1].end) {
    const box = boxAt(view, at, outer.end - at);
    if (!box) break;
    boxes.push(box);
  }
  return boxes;
}

/// The box at a place with so many bytes to the end: where its content begins and where it ends; none where it sticks out.
function boxAt(view, at, left) {
  if (left < 8 || at + 8 > view.byteLength) return null;
  const short = view.getUint32(at);
  if (short === 1 && at + 16 > view.byteLength) return null;
  const size = short === 1 ? Number(view.getBigUint64(at + 8)) : short || left;
  const head = short === 1 ? 16 : 8;
  return size < head || size > left ? null : { type: letters(view, at + 4), from: at + head, end: at + size };
}

function letters(view, at) {
  return String.fromCharCode(...[0, 1, 2, 3].map((place) => view.getUint8(at + place)));
}
