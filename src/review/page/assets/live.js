// Follows a running bucket: parts of the page come over a socket and take the place of the old ones. Where the
// reader asks for it, the cues sound here, too.
"use strict";
(function () {
  const LONGEST_WAIT_S = 10;
  const said = document.getElementById("connection");
  let wait_s = 1;

  function say(text, lost) {
    said.textContent = text;
    said.classList.toggle("lost", lost);
  }

  // How far the reader has moved wide tables and drawings sideways is kept.
  function put(name, html) {
    const place = document.getElementById("live-" + name);
    if (!place) return;
    const across = Array.from(place.querySelectorAll(".scroll"), (frame) => frame.scrollLeft);
    place.innerHTML = html;
    place.querySelectorAll(".scroll").forEach((frame, at) => { frame.scrollLeft = across[at] || 0; });
  }

  // As the daemon makes them: sine pulses with an overtone and soft ends, never near full scale.
  const PEAK = 0.25;
  const OVERTONE = 0.2;
  const RAMP_S = 0.008;
  const FADE_S = 0.005;
  const button = document.getElementById("sound");
  let audio = null;
  let sounding = null;

  function render(cue) {
    const rate = audio.sampleRate;
    const last = cue.pulses[cue.pulses.length - 1];
    const buffer = audio.createBuffer(1, Math.ceil((last[0] + last[1]) * 1e-3 * rate), rate);
    const samples = buffer.getChannelData(0);
    cue.pulses.forEach(([starts_ms, lasts_ms, pitch_hz]) => {
      const from = Math.round(starts_ms * 1e-3 * rate);
      const count = Math.min(Math.round(lasts_ms * 1e-3 * rate), samples.length - from);
      for (let i = 0; i < count; i++) {
        const phase = 2 * Math.PI * pitch_hz * i / rate;
        const voice = (1 - OVERTONE) * Math.sin(phase) + OVERTONE * Math.sin(2 * phase);
        const end_s = Math.min(i, count - 1 - i) / rate;
        const soft = end_s >= RAMP_S ? 1 : 0.5 * (1 - Math.cos(Math.PI * end_s / RAMP_S));
        samples[from + i] = PEAK * Math.min(cue.level, 1) * soft * voice;
      }
    });
    return buffer;
  }

  // One at a time: what still sounds is turned down first, so that nothing adds up.
  function play(cue) {
    if (!audio || audio.state !== "running") return;
    let at_s = audio.currentTime;
    if (sounding) {
      sounding.gain.gain.setTargetAtTime(0, at_s, FADE_S / 5);
      sounding.source.stop(at_s + FADE_S);
      at_s += FADE_S;
    }
    const source = new AudioBufferSourceNode(audio, { buffer: render(cue) });
    const gain = new GainNode(audio);
    source.connect(gain).connect(audio.destination);
    const mine = { source, gain };
    source.onended = () => { if (sounding === mine) sounding = null; };
    sounding = mine;
    source.start(at_s);
  }

  // A browser lets a page sound only after the reader has touched it.
  button.onclick = () => {
    if (audio) {
      audio.close();
      audio = sounding = null;
    } else {
      audio = new AudioContext({ latencyHint: "interactive" });
    }
    button.setAttribute("aria-pressed", String(audio !== null));
    button.textContent = audio ? "Cues sound here" : "Sound the cues here";
  };
  document.getElementById("sound-here").hidden = false;

  function connect() {
    const socket = new WebSocket("ws://" + location.host + "/live");
    let over = false;
    socket.onopen = () => {
      wait_s = 1;
      say("Live: this page follows the bucket.", false);
    };
    socket.onmessage = (message) => {
      const told = JSON.parse(message.data);
      told.cues.slice(-1).forEach(play);
      Object.entries(told.parts).forEach(([name, html]) => put(name, html));
      if (Object.keys(told.parts).length) document.dispatchEvent(new Event("parts"));
      over = told.over;
    };
    socket.onclose = () => {
      if (over) {
        say("The bucket is over.", false);
        return;
      }
      say("Connection lost: what stands here is old. Trying again in " + wait_s + " s.", true);
      setTimeout(connect, 1000 * wait_s);
      wait_s = Math.min(2 * wait_s, LONGEST_WAIT_S);
    };
  }

  connect();
})();
