// The click of impact in the sound of a clip. A ball struck is a short burst of high sound out of near silence: its
// energy is there within a millisecond and gone within some tens. Voices and wind rise slower and last longer.

/// Energy is summed over so long, s.
const BLOCK_S = 0.0005;
/// Of several peaks within this, s, the highest counts: a click and its ringing are one.
const APART_S = 0.04;
/// What was before a peak, s before it. The last millisecond is left out: a coder smears a click over it.
const BEFORE_S = [0.1, 0.006];
const JUST_BEFORE_S = [0.016, 0.004];
const AFTER_S = [0.025, 0.06];
/// Less than this over what was before is no click, dB; more than the second adds nothing to how well it fits.
const RISE_DB = [10, 24];
/// A click that has fallen by this adds no more to how well it fits, dB.
const FALL_DB = 12;
/// A click begins where its energy passes this share of its peak for good.
const BEGINS = 0.1;
/// At most so many are told.
const MOST = 8;

const decibels = (ratio) => 10 * Math.log10(ratio);

/// What may be the click, the best first: `at_s`, where it begins, and `fit_db`, loudness and sharpness together.
export function clicks(samples, rate_hz) {
  const sharp = secondDifference(samples);
  const length = Math.max(1, Math.round(BLOCK_S * rate_hz));
  const energy = energies(sharp, length);
  const block_s = length / rate_hz;
  return peaks(energy, Math.round(APART_S / block_s))
    .map((peak) => judged(energy, peak, block_s))
    .filter(Boolean)
    .sort((a, b) => b.fit_db - a.fit_db)
    .slice(0, MOST)
    .map(({ peak, fit_db }) => ({ at_s: onset(sharp, energy, peak, length) / rate_hz, fit_db }));
}

/// How sure the first of them is, in a word: by how far it is ahead of the next.
export function sureness(found) {
  const ahead_db = found.length > 1 ? found[0].fit_db - found[1].fit_db : Infinity;
  return ahead_db >= 10 ? "clear" : ahead_db >= 4 ? "likely" : "not sure";
}

/// Slowed sound as it was: the means of so many samples each.
export function quickened(samples, factor) {
  if (factor < 2) return samples;
  return Float32Array.from({ length: Math.floor(samples.length / factor) }, (_, which) => {
    let sum = 0;
    for (let i = which * factor; i < (which + 1) * factor; i++) sum += samples[i];
    return sum / factor;
  });
}

/// Weakens what is slow: 12 dB an octave.
function secondDifference(samples) {
  const out = new Float32Array(samples.length);
  for (let i = 2; i < samples.length; i++) out[i] = samples[i] - 2 * samples[i - 1] + samples[i - 2];
  return out;
}

function energies(sharp, length) {
  // Below what 16 bits can hold, silence is silence.
  const least = length / 32768 ** 2;
  return Float64Array.from({ length: Math.floor(sharp.length / length) }, (_, block) => {
    let sum = least;
    for (let i = block * length; i < (block + 1) * length; i++) sum += sharp[i] * sharp[i];
    return sum;
  });
}

/// Blocks that none within reach surpasses.
function peaks(energy, reach) {
  const found = [];
  for (let at = 0; at < energy.length; ) {
    let best = at;
    for (let other = at + 1; other < energy.length && other - best <= reach; other++) if (energy[other] > energy[best]) best = other;
    found.push(best);
    at = best + reach + 1;
  }
  return found;
}

function judged(energy, peak, block_s) {
  const between = ([far, near], sign) => {
    const ends = [peak + sign * Math.round(far / block_s), peak + sign * Math.round(near / block_s)];
    return energy.slice(Math.max(Math.min(...ends), 0), Math.max(Math.max(...ends), 0) + 1);
  };
  const before = between(BEFORE_S, -1);
  if (!before.length) return null;
  const over_db = decibels(energy[peak] / median(before));
  const attack_db = decibels(energy[peak] / mean(between(JUST_BEFORE_S, -1)));
  const after = between([AFTER_S[1], AFTER_S[0]], 1);
  const fall_db = after.length ? decibels(energy[peak] / mean(after)) : 0;
  const rise_db = Math.min(over_db, attack_db);
  if (rise_db < RISE_DB[0]) return null;
  return { peak, fit_db: decibels(energy[peak]) + Math.min(rise_db, RISE_DB[1]) + Math.min(fall_db, FALL_DB) };
}

/// The sample at which a click begins: back from its peak as long as there is sound, then on to the first strong sample.
function onset(sharp, energy, peak, length) {
  let block = peak;
  while (block > 0 && energy[block - 1] >= BEGINS * energy[peak]) block -= 1;
  let most = 0;
  for (let i = block * length; i < (peak + 1) * length; i++) most = Math.max(most, Math.abs(sharp[i]));
  // The block before holds a beginning too short to fill it.
  let at = Math.max(block - 1, 0) * length;
  while (Math.abs(sharp[at]) < Math.sqrt(BEGINS) * most) at += 1;
  return at;
}

function mean(values) {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

function median(values) {
  return [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)];
}
