// The vote: rounds of two letters, an answer only once both were heard, then the text to send.
const HEARD_SECONDS = 1;

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
  const before = remembered();
  let filling = before.filling || randomNumber(), seen = before.seen, seenFirst = before.given.length ? before.seenFirst : seen;

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

  const remember = () => keepInBrowser(memory, {
    seen, seenFirst, given: given.join(""), filling, name: find("vote-name").value, words: find("vote-words").value, finished,
  });

  const sending = bindSending("vote", `Vote: ${ballot.title}`, text, `vote-${ballot.page}.txt`);
  const slider = find("vote-volume");
  bindVolume(slider, find("vote-volume-text"));

  const whole = () => given.length === ballot.rounds.length;

  function show() {
    find("vote-round").textContent = whole() ? `All ${ballot.rounds.length} rounds answered` : `Round ${given.length + 1} of ${ballot.rounds.length}`;
    find("vote-progress").style.width = `${(100 * given.length) / ballot.rounds.length}%`;
    for (const button of letters) {
      const letter = button.dataset.letter;
      button.setAttribute("aria-pressed", String(sounding === letter));
      button.querySelector("small").textContent = sounding === letter ? (heard.has(letter) ? "playing, heard" : "playing") : heard.has(letter) ? "heard" : "not heard yet";
    }
    for (const button of answers) button.setAttribute("aria-disabled", String(heard.size < 2));
    const asking = !find("vote-again").hidden;
    find("vote-desk").hidden = whole() || asking;
    find("vote-after").hidden = !whole() || asking;
    for (const part of ["vote-more", "vote-lead"]) find(part).hidden = whole() && !asking;
    if (given.length) find("vote-begin").hidden = whole() || asking;
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

  // Heard means played for a second, by the sound's own clock, which stops while nothing plays; not with the
  // volume at its lower end.
  function count(letter, begin) {
    let sounded = 0, at = begin, moved = performance.now();
    clearInterval(timer);
    timer = setInterval(() => {
      const time = player.context.currentTime, loud = player.volumeDb > SILENT_DB;
      if (time > at) { sounded += loud ? time - at : 0; at = time; moved = performance.now(); }
      if (performance.now() - moved > START_MS) {
        player.moving = false;
        stopped(SOUND_WORDS.held);
      } else if (sounded >= HEARD_SECONDS && !heard.has(letter)) {
        heard.add(letter);
        if (heard.size === 2) status.textContent = "Both heard: switch as you like, then choose.";
        show();
      } else if (!loud && !heard.has(letter)) status.textContent = "The volume is all the way down, so nothing counts as heard.";
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
      status.textContent = `Hear ${["A", "B"].filter((one) => !heard.has(one)).join(" and ")} first, for at least a second.`;
      return;
    }
    silent();
    seenFirst = seenFirst || seen;
    given.push(letter);
    heard = new Set();
    remember();
    show();
    find("vote-begin").open = false;
    if (whole()) { ownWords(); return; }
    status.textContent = "Noted. A and B may have swapped.";
    letters[0].focus({ preventScroll: true });
  }

  function ownWords() {
    find("vote-done-title").tabIndex = -1;
    find("vote-done-title").focus();
  }

  function undo() {
    if (finished || !given.length) return;
    silent();
    given.pop();
    heard = new Set();
    remember();
    status.textContent = `Round ${given.length + 1} again: hear both, then answer.`;
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
      ? "All rounds of a vote were answered in this browser. Continue at its end?"
      : `A vote was begun in this browser. Continue at round ${given.length + 1}?`;
    find("vote-continue").textContent = last ? "Continue" : `Continue at round ${given.length + 1}`;
    find("vote-again").hidden = false;
    find("vote-begin").hidden = true;
  }

  function restart() {
    given.length = 0;
    filling = randomNumber();
    seenFirst = seen;
    finished = false;
    heard = new Set();
    for (const field of ["vote-name", "vote-words"]) find(field).value = "";
    find("vote-result").textContent = "";
    for (const part of ["vote-done", "rest"]) find(part).hidden = true;
    for (const part of ["vote-own", "vote-begin"]) find(part).hidden = false;
    find("vote-begin").open = true;
    remember();
    begin(seen
      ? "The names were shown in this browser before, and your answer will say so. Hear both, then answer."
      : "Hear both, then choose.");
  }

  function begin(words) {
    find("vote-again").hidden = true;
    status.textContent = words;
    show();
    if (whole()) ownWords(); else letters[0].focus();
  }

  function text() {
    const body = `1 ${ballot.page} ${given.join("")} ${seenFirst ? "seen" : "hidden"}`;
    const lines = [`Vote: ${ballot.title}`, `fairhearing-vote ${body} ${checksum(body)}`, `answer: ${filling}`];
    lines.push(...nameAndWords(find("vote-name").value.trim(), oneLine(find("vote-words").value)));
    return `${lines.join("\n")}\n`;
  }

  function finish() {
    silent();
    finished = true;
    remember();
    for (const part of ["vote-again", "vote-own", "vote-waive"]) find(part).hidden = true;
    find("vote-done").hidden = false;
    show();
    sending();
    reveal();
    const sealed = unsealed(find("sealed"));
    const counts = new Array(sealed.names.length).fill(0);
    given.forEach((letter, i) => { counts[sealed.versions[ballot.rounds[i][letter === "A" ? 0 : 1]]] += 1; });
    const box = find("vote-result");
    const say = (parent, tag, textContent, className = "") => {
      const part = element(tag, { dir: "auto", textContent, className });
      parent.append(part);
      return part;
    };
    if (sealed.plain.length) say(box, "p", sealed.plain[counts[0]], "verdict");
    if (seenFirst) say(box, "p", "You had seen the names before, so this was not blind.");
    const more = sealed.plain.length ? say(box, "details", "") : box;
    if (more !== box) say(more, "summary", "The exact result");
    counts.forEach((count, i) => say(more, "p", `${sealed.names[i]}: ${count} of ${sealed.offered[i]}`));
    if (sealed.sentences.length) say(more, "p", sealed.sentences[counts[0]]);
    ownWords();
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
  for (const part of ["vote-undo", "vote-back"]) find(part).addEventListener("click", undo);
  find("vote-finish").addEventListener("click", finish);
  find("vote-next").addEventListener("click", restart);
  find("vote-restart").addEventListener("click", restart);
  find("vote-continue").addEventListener("click", () => begin(whole() ? "" : `Round ${given.length + 1}: hear both, then answer.`));
  find("vote-reveal").addEventListener("click", () => {
    reveal();
    find("vote-waive").hidden = true;
    status.textContent = "Everything is shown below. If you vote now, your answer will say that you had seen the names.";
    const title = document.getElementById("listen-title");
    title.tabIndex = -1;
    title.focus();
  });
  for (const field of ["vote-name", "vote-words"]) find(field).addEventListener("input", remember);
  offer();
  find("vote-keeps").textContent = remember()
    ? "Your answers stay in this browser: you can close the page and come back."
    : "This browser keeps nothing: leave the page open until you have sent your answer.";
  if (!finished) show();
}
