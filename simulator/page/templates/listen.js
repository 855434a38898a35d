// The listening part: passage, version and level are three groups of radio buttons over one deck; a claim sets
// all three, and plays the two versions one after the other.
const TURN_MS = 3000;

function startListening(sounds) {
  const find = (id) => document.getElementById(id);
  if (!find("bar")) return;
  const button = find("play"), now = find("now"), slider = find("volume");
  const plots = [...document.querySelectorAll("#listen .picture:not(.paper-only) .plot")];
  const claims = [...document.querySelectorAll(".claim")];
  const radios = (name) => [...document.querySelectorAll(`input[type=radio][name="${name}"]`)];
  const showVolume = bindVolume(slider, find("volume-text"));
  // A browser that comes back to the page may put old choices in again.
  for (const name of ["version", "passage", "state"]) for (const radio of radios(name)) radio.checked = radio.defaultChecked;
  let quiet = -24, playing = false, request = 0, delivered = false, shownPassage = null, turn = 0, tapped = null;

  const chosen = (name) => radios(name).find((one) => one.checked).value;
  const choose = (name, value) => { radios(name).find((one) => one.value === value).checked = true; };
  const kind = () => sounds.kinds[Number(chosen("passage"))];
  const item = () => kind().items[chosen("version")] || null;

  // Every visit to the raw files begins lower by `drop`. The way back rises only once the louder sound is gone
  // (`follow`).
  function followState() {
    const state = chosen("state") === "delivered";
    if (find("care")) find("care").hidden = !state;
    if (state === delivered) return;
    const current = Number(slider.value);
    if (state) {
      quiet = current;
      slider.value = String(Math.max(SILENT_DB, current - sounds.drop));
      player.setVolume(Number(slider.value));
    } else {
      slider.value = String(Math.min(quiet, current + sounds.drop));
      if (!playing) player.setVolume(Number(slider.value));
    }
    showVolume();
    delivered = state;
  }

  function available() {
    const { items, absent } = kind();
    for (const radio of radios("version")) {
      radio.disabled = !(radio.value in items);
      radio.parentElement.querySelector(".absent").textContent = absent[radio.value] || "";
    }
    if (!item()) {
      const first = radios("version").find((one) => !one.disabled);
      if (first) first.checked = true;
    }
  }

  function describe() {
    const how = { played: "as listeners hear it", matched: "equally loud", delivered: `raw file, turned down ${sounds.drop} dB` }[chosen("state")];
    return `${playing ? "Playing" : "Ready"}: ${sounds.tracks[chosen("version")]}, ${how}`;
  }

  // What a comment is about: the playhead, else where the picture was tapped last, else the passage's beginning.
  function moment() {
    const found = item(), place = playing && player.deck ? player.deck.place() : null, start = found ? found.start : 0;
    const at = place !== null ? start + place : tapped === null ? start : tapped;
    return { track: chosen("version"), at: Math.round(10 * at) / 10 };
  }

  // The picture of the chosen version: its lines at this level, and the passage.
  function paint() {
    const version = chosen("version"), state = chosen("state"), passage = chosen("passage");
    for (const plot of plots) {
      const mine = plot.querySelector(`.curve[data-index="${version}"]`) !== null;
      plot.parentElement.hidden = !mine;
      if (!mine) continue;
      plot.dataset.state = state;
      for (const curve of plot.querySelectorAll(".curve")) {
        const found = kind().items[curve.dataset.index], line = curve.querySelector(".line"), raw = state === "delivered";
        let db = raw ? Number(curve.dataset.raw) : 0;
        if (state === "matched" && found) db = found.matched[1] - found.played[1];
        curve.style.transform = `translateY(${(-db * Number(plot.dataset.units)).toFixed(2)}px)`;
        curve.classList.toggle("on", curve.dataset.index === version);
        if (line && line.dataset.other && raw !== (line.dataset.shown === "raw")) { // a shape of its own
          const other = line.dataset.other;
          line.dataset.other = line.getAttribute("d");
          line.dataset.shown = raw ? "raw" : "";
          line.setAttribute("d", other);
          curve.querySelector(".area").setAttribute("d", `${other}V400H0Z`);
        }
      }
      for (const band of plot.querySelectorAll(".band")) band.classList.toggle("on", band.dataset.row === passage);
    }
  }

  async function follow() {
    const mine = (request += 1);
    available();
    const found = item();
    if (!found) return;
    followState();
    paint();
    now.textContent = describe();
    if (!playing) return;
    const [clip, gain] = found[chosen("state")];
    let buffer = null;
    try {
      await player.wake();
      buffer = await player.buffer(clip);
    } catch (problem) {
      if (mine === request) { stop(); now.textContent = soundWords(problem); }
      return;
    }
    if (mine !== request || !playing) return;
    if (Number(slider.value) < player.volumeDb) player.setVolume(Number(slider.value));
    const restart = chosen("passage") !== shownPassage || !player.deck.voice;
    shownPassage = chosen("passage");
    const begin = player.deck.sound(buffer, gain, restart);
    player.setVolume(Number(slider.value), begin / player.context.sampleRate);
    for (const other of Object.values(sounds.kinds[Number(shownPassage)].items)) player.buffer(other.played[0]).catch(() => {});
  }

  function draw() {
    const place = player.deck ? player.deck.place() : null, found = item();
    for (const plot of plots) {
      const head = plot.querySelector(".head-line");
      if (!head) continue;
      head.hidden = !playing || place === null || !found;
      if (!head.hidden) head.style.left = `${(100 * (found.start + place)) / Number(plot.dataset.length)}%`;
    }
    if (playing) requestAnimationFrame(draw);
  }

  function stop() {
    playing = false;
    leaveClaim();
    button.textContent = "Play";
    if (player.deck) player.deck.stop();
    if (item()) now.textContent = describe();
  }

  async function play() {
    document.dispatchEvent(new CustomEvent("only", { detail: "listen" }));
    playing = true;
    shownPassage = null;
    button.textContent = "Stop";
    await follow();
    requestAnimationFrame(draw);
  }

  function leaveClaim() {
    clearTimeout(turn);
    for (const one of claims) one.setAttribute("aria-pressed", "false");
  }

  async function claim(place) {
    const { state, kind: row, tracks } = sounds.claims[place];
    leaveClaim();
    claims[place].setAttribute("aria-pressed", "true");
    choose("passage", String(row));
    choose("state", state);
    choose("version", tracks[0]);
    const asked = request + 1;
    if (playing) await follow(); else await play();
    if (!playing || request !== asked || tracks.length < 2) return;
    turn = setTimeout(() => { if (playing) { choose("version", tracks[1]); follow(); } }, TURN_MS);
  }

  claims.forEach((one, place) => one.addEventListener("click", () => claim(place)));
  button.addEventListener("click", () => { if (playing) stop(); else play(); });
  document.addEventListener("sound", (event) => {
    if (playing && event.detail !== "running" && player.deck.voice) { stop(); now.textContent = SOUND_WORDS.stopped; }
  });
  document.addEventListener("only", (event) => { if (event.detail !== "listen" && playing) stop(); });
  document.addEventListener("change", (event) => {
    if (["version", "passage", "state"].includes(event.target.name)) { leaveClaim(); tapped = null; follow(); }
  });
  // A tap on the picture plays the passage nearest to it.
  for (const plot of plots) {
    plot.addEventListener("click", (event) => {
      const at = timeAt(plot, event);
      let nearest = null, away = Infinity;
      sounds.kinds.forEach((one, row) => {
        const found = one.items[chosen("version")];
        if (found && Math.abs(found.start - at) < away) { nearest = row; away = Math.abs(found.start - at); }
      });
      if (nearest === null) return;
      leaveClaim();
      tapped = Math.max(0, at);
      choose("passage", String(nearest));
      if (playing) follow(); else play();
    });
  }
  find("versions").addEventListener("keydown", (event) => {
    const wanted = /^[1-9]$/.test(event.key) && find("versions").querySelector(`input[data-number="${event.key}"]`);
    if (!wanted || wanted.disabled) return;
    wanted.checked = true;
    wanted.focus();
    leaveClaim();
    follow();
  });
  available();
  paint();
  startComments(sounds, plots, moment);
}
