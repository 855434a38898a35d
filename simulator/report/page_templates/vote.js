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
  let heard = new Set(), sounding = null, timer = 0, request = 0, revealed = false;
  // Tells this filling from another with the same letters: two listeners may agree.
  const filling = [...crypto.getRandomValues(new Uint8Array(4))].map((one) => one.toString(16).padStart(2, "0")).join("");
  let seen = false;
  try { seen = localStorage.getItem(memory) === "seen"; } catch { seen = false; }
  let seenFirst = seen;

  const slider = find("vote-volume");
  bindVolume(slider, find("vote-volume-text"));

  function show() {
    find("vote-round").textContent = `Round ${Math.min(given.length + 1, ballot.rounds.length)} of ${ballot.rounds.length}`;
    for (const button of letters) {
      const letter = button.dataset.letter;
      button.setAttribute("aria-pressed", String(sounding === letter));
      button.querySelector("small").textContent = sounding === letter ? "playing" : heard.has(letter) ? "heard" : "not heard yet";
    }
    for (const button of answers) button.setAttribute("aria-disabled", String(heard.size < 2));
  }

  function silent() {
    request += 1;
    clearTimeout(timer);
    if (sounding !== null && player.deck) player.deck.stop();
    sounding = null;
  }

  async function hear(letter) {
    const mine = (request += 1), round = given.length;
    document.dispatchEvent(new CustomEvent("only", { detail: "vote" }));
    await player.wake();
    player.setVolume(Number(slider.value));
    const pair = ballot.rounds[round];
    const buffers = await Promise.all(pair.map((one) => player.buffer(ballot.clips[one])));
    if (mine !== request) return;
    player.deck.sound(buffers[letter === "A" ? 0 : 1], 0, sounding === null);
    sounding = letter;
    clearTimeout(timer);
    timer = setTimeout(() => {
      heard.add(letter);
      if (heard.size === 2) status.textContent = "Both are heard. Go back and forth as often as you like, then answer.";
      show();
    }, 1000 * HEARD_SECONDS);
    show();
  }

  function answer(letter) {
    if (heard.size < 2) {
      status.textContent = `Hear ${["A", "B"].filter((one) => !heard.has(one)).join(" and ")} first, for a second at least.`;
      return;
    }
    silent();
    seenFirst = seen;
    given.push(letter);
    heard = new Set();
    if (given.length === ballot.rounds.length) { finish(); return; }
    status.textContent = `Noted. Round ${given.length + 1}: A and B may have changed places.`;
    show();
    letters[0].focus();
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
    if (revealed) return;
    revealed = true;
    seen = true;
    try { localStorage.setItem(memory, "seen"); } catch { /* a browser without memory */ }
    const sealed = unsealed(find("sealed"));
    find("rest").innerHTML = sealed.html;
    find("rest").hidden = false;
    startListening(sealed.sounds);
  }

  letters.forEach((button) => button.addEventListener("click", () => hear(button.dataset.letter)));
  answers.forEach((button) => button.addEventListener("click", () => answer(button.dataset.answer)));
  find("vote-stop").addEventListener("click", () => { silent(); show(); });
  document.addEventListener("only", (event) => { if (event.detail !== "vote") { silent(); show(); } });
  find("vote-reveal").addEventListener("click", () => {
    reveal();
    find("vote-waive").hidden = true;
    status.textContent = "Everything is shown below. If you vote now, your answer says that you had seen the names.";
    const title = document.getElementById("listen-title");
    title.tabIndex = -1;
    title.focus();
  });
  for (const field of ["vote-name", "vote-words"]) find(field).addEventListener("input", () => { find("vote-text").value = text(); });
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
  show();
}
