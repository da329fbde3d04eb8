// Follows a running bucket: parts of the page come over a socket and take the place of the old ones.
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

  function connect() {
    const socket = new WebSocket("ws://" + location.host + "/live");
    let over = false;
    socket.onopen = () => {
      wait_s = 1;
      say("Live: this page follows the bucket.", false);
    };
    socket.onmessage = (message) => {
      const told = JSON.parse(message.data);
      Object.entries(told.parts).forEach(([name, html]) => put(name, html));
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
