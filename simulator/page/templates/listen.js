// The listening part: passage, version and level are three groups of radio buttons over one deck.
function startListening(sounds) {
  const find = (id) => document.getElementById(id);
  if (!find("deck")) return null;
  const button = find("play"), now = find("now"), slider = find("volume"), loop = find("loop");
  const showVolume = bindVolume(slider, find("volume-text"));
  // A browser that comes back to the page may put old choices and volumes in again.
  for (const radio of document.querySelectorAll("#deck input[type=radio]")) radio.checked = radio.defaultChecked;
  slider.value = slider.defaultValue;
  showVolume();
  let quiet = -24;
  let playing = false, request = 0, delivered = false, shownPassage = null;

  const chosen = (name) => document.querySelector(`#deck input[name="${name}"]:checked`).value;
  const item = () => sounds.kinds[Number(chosen("passage"))].items[chosen("version")] || null;

  // Every visit to "as delivered" begins lower by what the caution promises. The way back rises only once
  // the louder sound is gone (`follow`).
  function followState() {
    const state = chosen("state") === "delivered";
    if (state === delivered) return;
    const current = Number(slider.value);
    if (state) {
      quiet = current;
      slider.value = String(Math.max(-60, current - sounds.drop));
      player.setVolume(Number(slider.value));
    } else {
      slider.value = String(Math.min(quiet, current + sounds.drop));
      if (!playing) player.setVolume(Number(slider.value));
    }
    showVolume();
    delivered = state;
  }

  function available() {
    const items = sounds.kinds[Number(chosen("passage"))].items;
    for (const radio of document.querySelectorAll('#deck input[name="version"]')) {
      radio.disabled = !(radio.value in items);
    }
    if (!item()) {
      const first = document.querySelector('#deck input[name="version"]:not(:disabled)');
      if (first) first.checked = true;
    }
  }

  function describe(found) {
    const track = sounds.tracks[chosen("version")];
    const how = { played: "as played", matched: "matched", delivered: "as delivered" }[chosen("state")];
    return `${playing ? "Playing" : "Chosen"}: ${track}, ${how}. ${found.where}`;
  }

  async function follow() {
    const mine = (request += 1);
    available();
    const found = item();
    if (!found) return;
    followState();
    now.textContent = describe(found);
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
    const anew = chosen("passage") !== shownPassage || !player.deck.voice;
    shownPassage = chosen("passage");
    const begin = player.deck.sound(buffer, gain, anew);
    player.setVolume(Number(slider.value), begin / player.context.sampleRate);
    for (const other of Object.values(sounds.kinds[Number(shownPassage)].items)) player.buffer(other.played[0]).catch(() => {});
  }

  function draw() {
    const place = player.deck ? player.deck.place() : null;
    if (place !== null) loop.style.width = `${(100 * place) / player.deck.voice.buffer.duration}%`;
    if (playing) requestAnimationFrame(draw);
  }

  function stop() {
    playing = false;
    button.textContent = "Play";
    if (player.deck) player.deck.stop();
    if (item()) now.textContent = describe(item());
  }

  button.addEventListener("click", async () => {
    if (playing) { stop(); return; }
    document.dispatchEvent(new CustomEvent("only", { detail: "listen" }));
    playing = true;
    shownPassage = null;
    button.textContent = "Stop";
    await follow();
    requestAnimationFrame(draw);
  });
  document.addEventListener("sound", (event) => {
    if (playing && event.detail !== "running" && player.deck.voice) { stop(); now.textContent = SOUND_WORDS.stopped; }
  });
  document.addEventListener("only", (event) => { if (event.detail !== "listen" && playing) stop(); });
  find("deck").addEventListener("change", (event) => { if (event.target.type === "radio") follow(); });
  find("versions").addEventListener("keydown", (event) => {
    const wanted = /^[1-9]$/.test(event.key) && find("versions").querySelector(`input[data-number="${event.key}"]`);
    if (wanted && !wanted.disabled) {
      wanted.checked = true;
      wanted.focus();
      follow();
    }
  });
  find("unlock").addEventListener("click", () => {
    const radio = document.querySelector('#deck input[value="delivered"]');
    radio.disabled = false;
    radio.checked = true;
    find("unlock-step").open = false;
    radio.focus();
    follow();
  });
  available();
  return { stop };
}
