// The vote: rounds of two letters, an answer only once both were heard, then the text to send.
const HEARD_SECONDS = 1;

function checksum(text) { // CRC-32
  let crc = 0xffffffff;
  for (let i = 0; i < text.length; i += 1) {
    crc ^= text.charCodeAt(i);
    for (let bit = 0; bit < 8; bit += 1) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return ((crc ^ 0xffffffff) >>> 0).toString(16).padStart(8, "0");
}

function unsealed(element) {
  const bytes = bytesOf(element.textContent), key = bytesOf(element.dataset.key);
  for (let i = 0; i < bytes.length; i += 1) bytes[i] ^= key[i % key.length];
  return JSON.parse(new TextDecoder().decode(bytes));
}

function startVoting(ballot) {
  const find = (id) => document.getElementById(id);
  const memory = `fairhearing ${ballot.page}`;
  const letters = [...document.querySelectorAll(".letter")], answers = [...document.querySelectorAll(".answer")];
  const given = [], status = find("vote-status");
  let heard = new Set(), sounding = null, timer = 0, request = 0, revealed = false, finished = false;
  // Tells this filling from another with the same letters: two listeners may agree.
  const number = () => [...crypto.getRandomValues(new Uint8Array(4))].map((one) => one.toString(16).padStart(2, "0")).join("");
  const before = remembered();
  let filling = before.filling || number(), seen = before.seen, seenFirst = before.given.length ? before.seenFirst : seen;

  // What this browser kept of the vote; nothing where it keeps nothing, or where it is not ours.
  function remembered() {
    const none = { seen: false, seenFirst: false, given: [], filling: "", name: "", words: "", finished: false };
    try {
      const text = localStorage.getItem(memory);
      if (text === "seen") return { ...none, seen: true }; // of pages made by older versions
      const found = JSON.parse(text);
      const letters = typeof found.given === "string" && /^[AB]*$/.test(found.given) ? [...found.given] : [];
      const kept = letters.length <= ballot.rounds.length && /^[0-9a-f]{8}$/.test(found.filling);
      const said = (value) => (kept && typeof value === "string" ? value : "");
      return {
        seen: found.seen === true, seenFirst: found.seenFirst === true, given: kept ? letters : [], filling: said(found.filling),
        name: said(found.name), words: said(found.words), finished: kept && found.finished === true && letters.length === ballot.rounds.length,
      };
    } catch { return none; }
  }

  function remember() {
    const kept = { seen, seenFirst, given: given.join(""), filling, name: find("vote-name").value, words: find("vote-words").value, finished };
    try { localStorage.setItem(memory, JSON.stringify(kept)); return true; } catch { return false; }
  }

  const slider = find("vote-volume");
  slider.value = slider.defaultValue; // a browser that comes back may put an old one in again
  bindVolume(slider, find("vote-volume-text"));

  const whole = () => given.length === ballot.rounds.length;

  function show() {
    find("vote-round").textContent = whole() ? `All ${ballot.rounds.length} rounds are answered` : `Round ${given.length + 1} of ${ballot.rounds.length}`;
    for (const button of letters) {
      const letter = button.dataset.letter;
      button.setAttribute("aria-pressed", String(sounding === letter));
      button.querySelector("small").textContent = sounding === letter ? (heard.has(letter) ? "playing, heard" : "playing") : heard.has(letter) ? "heard" : "not heard yet";
    }
    for (const button of answers) button.setAttribute("aria-disabled", String(heard.size < 2));
    find("vote-answers").hidden = whole();
    letters[0].parentElement.hidden = whole();
    find("vote-finish").hidden = !whole();
    find("vote-undo").hidden = given.length === 0;
  }

  function silent() {
    request += 1;
    clearInterval(timer);
    if (sounding !== null && player.deck) player.deck.stop();
    sounding = null;
  }

  async function hear(letter) {
    const mine = (request += 1), round = given.length;
    document.dispatchEvent(new CustomEvent("only", { detail: "vote" }));
    const pair = ballot.rounds[round];
    let buffers = [];
    try {
      await player.wake();
      buffers = await Promise.all(pair.map((one) => player.buffer(ballot.clips[one])));
    } catch (problem) {
      if (mine === request) { silent(); status.textContent = soundWords(problem); show(); }
      return;
    }
    if (mine !== request) return;
    player.setVolume(Number(slider.value));
    const begin = player.deck.sound(buffers[letter === "A" ? 0 : 1], 0, sounding === null);
    sounding = letter;
    count(letter, begin / player.context.sampleRate);
    show();
  }

  // Heard is what sounded for a second: by the sound's own clock, which stands while nothing sounds, and not
  // while the volume is at its lower end.
  function count(letter, begin) {
    let sounded = 0, at = begin, moved = performance.now();
    clearInterval(timer);
    timer = setInterval(() => {
      const time = player.context.currentTime, loud = player.volumeDb > -60;
      if (time > at) { sounded += loud ? time - at : 0; at = time; moved = performance.now(); }
      if (performance.now() - moved > START_MS) {
        player.moving = false;
        stopped(SOUND_WORDS.held);
      } else if (sounded >= HEARD_SECONDS && !heard.has(letter)) {
        heard.add(letter);
        if (heard.size === 2) status.textContent = "Both are heard. Go back and forth as often as you like, then answer.";
        show();
      } else if (!loud && !heard.has(letter)) status.textContent = "The volume is all the way down: nothing counts as heard.";
    }, 50);
  }

  function stopped(words) {
    silent();
    status.textContent = words;
    show();
  }

  function answer(letter) {
    if (whole()) return;
    if (heard.size < 2) {
      status.textContent = `Hear ${["A", "B"].filter((one) => !heard.has(one)).join(" and ")} first, for a second at least.`;
      return;
    }
    silent();
    seenFirst = seenFirst || seen;
    given.push(letter);
    heard = new Set();
    remember();
    show();
    if (whole()) {
      status.textContent = "That was the last round. Finish to see the names; after that no answer can be changed.";
      find("vote-finish").focus();
      return;
    }
    status.textContent = `Noted. Round ${given.length + 1}: A and B may have changed places.`;
    letters[0].focus();
  }

  function undo() {
    if (finished || !given.length) return;
    silent();
    given.pop();
    heard = new Set();
    remember();
    status.textContent = `Your answer in round ${given.length + 1} is taken back. Hear both again and answer.`;
    show();
    letters[0].focus();
  }

  // A vote that was begun in this browser goes on only when the listener says so: it may be another one.
  function offer() {
    given.push(...before.given);
    find("vote-name").value = before.name;
    find("vote-words").value = before.words;
    if (before.finished) { finish(); return; }
    if (!given.length) return;
    const last = whole();
    find("vote-again-text").textContent = last
      ? "All rounds of a vote are answered in this browser, and it is not finished. Continue at its end?"
      : `A vote was begun in this browser. Continue at round ${given.length + 1}?`;
    find("vote-continue").textContent = last ? "Continue" : `Continue at round ${given.length + 1}`;
    find("vote-again").hidden = false;
    find("vote-desk").hidden = true;
  }

  function restart() {
    given.length = 0;
    filling = number();
    seenFirst = seen;
    finished = false;
    heard = new Set();
    for (const field of ["vote-name", "vote-words"]) find(field).value = "";
    find("vote-result").textContent = "";
    find("vote-done").hidden = true;
    find("rest").hidden = true;
    for (const part of ["vote-desk", "vote-begin"]) find(part).hidden = false;
    remember();
    begin(seen
      ? "The names were shown in this browser before, and your answer will say so. Hear both, then answer."
      : "Hear both before you answer. The passage goes round; changing keeps the place in it.");
  }

  function begin(words) {
    find("vote-again").hidden = true;
    find("vote-desk").hidden = false;
    status.textContent = words;
    show();
    (whole() ? find("vote-finish") : letters[0]).focus();
  }

  function text() {
    const body = `1 ${ballot.page} ${given.join("")} ${seenFirst ? "seen" : "hidden"}`;
    const lines = [`Vote: ${ballot.title}`, `fairhearing-vote ${body} ${checksum(body)}`, `answer: ${filling}`];
    const name = find("vote-name").value.trim();
    const words = find("vote-words").value.trim().replace(/\s*\n\s*/g, " ");  // an empty line would end them
    if (name) lines.push(`name: ${name}`);
    if (words) lines.push(`words: ${words}`);
    return `${lines.join("\n")}\n`;
  }

  function finish() {
    silent();
    finished = true;
    remember();
    for (const part of ["vote-desk", "vote-begin"]) find(part).hidden = true;
    find("vote-waive").hidden = true;
    find("vote-done").hidden = false;
    find("vote-text").value = text();
    reveal();
    const sealed = unsealed(find("sealed"));
    const counts = new Array(sealed.names.length).fill(0);
    given.forEach((letter, i) => { counts[sealed.versions[ballot.rounds[i][letter === "A" ? 0 : 1]]] += 1; });
    const box = find("vote-result");
    const say = (tag, words) => { const made = document.createElement(tag); made.dir = "auto"; made.textContent = words; box.append(made); };
    say("h3", "What you chose");
    counts.forEach((count, i) => say("p", `${sealed.names[i]}: ${count} of ${sealed.offered[i]}`));
    if (sealed.sentences.length) say("p", sealed.sentences[counts[0]]);
    find("vote-done").querySelector("h3").tabIndex = -1;
    find("vote-done").querySelector("h3").focus();
  }

  function reveal() {
    find("rest").hidden = false;
    if (revealed) return;
    revealed = true;
    seen = true;
    remember();
    const sealed = unsealed(find("sealed"));
    find("rest").innerHTML = sealed.html;
    startListening(sealed.sounds);
  }

  letters.forEach((button) => button.addEventListener("click", () => hear(button.dataset.letter)));
  answers.forEach((button) => button.addEventListener("click", () => answer(button.dataset.answer)));
  find("vote-stop").addEventListener("click", () => { silent(); show(); });
  document.addEventListener("only", (event) => { if (event.detail !== "vote") { silent(); show(); } });
  document.addEventListener("sound", (event) => { if (sounding !== null && event.detail !== "running") stopped(SOUND_WORDS.stopped); });
  addEventListener("pagehide", () => { silent(); show(); });
  find("vote-undo").addEventListener("click", undo);
  find("vote-finish").addEventListener("click", finish);
  find("vote-next").addEventListener("click", restart);
  find("vote-restart").addEventListener("click", restart);
  find("vote-continue").addEventListener("click", () => begin(whole() ? "" : `Round ${given.length + 1}: hear both, then answer.`));
  find("vote-reveal").addEventListener("click", () => {
    reveal();
    find("vote-waive").hidden = true;
    status.textContent = "Everything is shown below. If you vote now, your answer says that you had seen the names.";
    const title = document.getElementById("listen-title");
    title.tabIndex = -1;
    title.focus();
  });
  for (const field of ["vote-name", "vote-words"]) find(field).addEventListener("input", () => { find("vote-text").value = text(); remember(); });
  find("vote-copy").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(text());
      find("vote-copied").textContent = "Copied.";
    } catch {
      find("vote-text").select();
      find("vote-copied").textContent = document.execCommand("copy") ? "Copied." : "Select the text and copy it.";
    }
  });
  find("vote-save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text()], { type: "text/plain" }));
    link.download = `vote-${ballot.page}.txt`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });
  offer();
  find("vote-keeps").textContent = remember()
    ? "Your answers stay in this browser: you can close the page and come back."
    : "This browser keeps nothing: leave the page open until you have sent your answer.";
  if (!finished) show();
}
