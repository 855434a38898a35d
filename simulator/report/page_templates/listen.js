// The listening part: passage, version and level are three groups of radio buttons over one deck.
function startListening(sounds) {
  const find = (id) => document.getElementById(id);
  if (!find("deck")) return null;
  const button = find("play"), now = find("now"), slider = find("volume"), loop = find("loop");
  const showVolume = bindVolume(slider, find("volume-text"));
  const volumes = { quiet: -24, delivered: null };
  let playing = false, request = 0, delivered = false, shownPassage = null;

  const chosen = (name) => document.querySelector(`#deck input[name="${name}"]:checked`).value;
  const item = () => sounds.kinds[Number(chosen("passage"))].items[chosen("version")] || null;

  function setVolume(db) { slider.value = String(db); player.setVolume(Number(slider.value)); showVolume(); }

  // As delivered has a volume of its own, which never begins above the other one.
  function followState() {
    const state = chosen("state") === "delivered";
    if (state === delivered) return;
    const current = Number(slider.value);
    if (state) {
      volumes.quiet = current;
      setVolume(Math.max(-60, Math.min(current, volumes.delivered === null ? current - sounds.drop : volumes.delivered)));
    } else {
      volumes.delivered = current;
      setVolume(Math.min(volumes.quiet, current + sounds.drop));
    }
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
    await player.wake();
    const [clip, gain] = found[chosen("state")];
    const buffer = await player.buffer(clip);
    if (mine !== request || !playing) return;
    const anew = chosen("passage") !== shownPassage || !player.deck.voice;
    shownPassage = chosen("passage");
    player.deck.sound(buffer, gain, anew);
    for (const other of Object.values(sounds.kinds[Number(shownPassage)].items)) player.buffer(other.played[0]);
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
    player.setVolume(Number(slider.value));
    await follow();
    requestAnimationFrame(draw);
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
