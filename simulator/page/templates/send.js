// What a listener sends: its check, its number by chance, and the ways to send it: the device's own sheet where it
// has one, a mail, a copy, a small file.
const LONGEST_MAIL = 1800; // of a mailto address; some mail programs cut longer ones (common practice, no source)
const THANKS = "Thank you for listening.";

function checksum(text) { // CRC-32
  let crc = 0xffffffff;
  for (let i = 0; i < text.length; i += 1) {
    crc ^= text.charCodeAt(i);
    for (let bit = 0; bit < 8; bit += 1) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return ((crc ^ 0xffffffff) >>> 0).toString(16).padStart(8, "0");
}

function randomNumber() {
  return [...crypto.getRandomValues(new Uint8Array(4))].map((one) => one.toString(16).padStart(2, "0")).join("");
}

// In one line: an empty line would end them.
function oneLine(words) { return words.trim().replace(/\s*\n\s*/g, " "); }

// The lines below an answer's own.
function nameAndWords(name, words) {
  return [...(name ? [`name: ${name}`] : []), ...(words ? [`words: ${words}`] : [])];
}

function element(tag, properties) { return Object.assign(document.createElement(tag), properties); }

// False where this browser keeps nothing.
function keepInBrowser(key, value) {
  try { localStorage.setItem(key, JSON.stringify(value)); return true; } catch { return false; }
}

// Binds the buttons of one sending row; returns what fills them in when `text()` has changed.
function bindSending(id, subject, text, file) {
  const find = (part) => document.getElementById(`${id}-${part}`);
  const sent = (words) => { find("copied").textContent = words; };
  const select = () => {
    find("text").closest("details").open = true;
    find("text").select();
    return document.execCommand("copy");
  };
  const copy = async () => {
    try { await navigator.clipboard.writeText(text()); return true; } catch { return select(); }
  };
  find("share").addEventListener("click", async () => {
    try {
      await navigator.share({ title: subject, text: text() });
      sent(`Sent. ${THANKS}`);
    } catch (problem) {
      if (problem.name !== "AbortError") sent("That did not work here: send it by mail, or copy it.");
    }
  });
  find("mail").addEventListener("click", () => {
    sent(`${THANKS} If no mail opened, copy the answer into one.`);
    if (find("mail").href.length <= LONGEST_MAIL) return;
    copy();
    sent(`${THANKS} If the mail ends early, paste the copied text into it.`);
  });
  find("copy").addEventListener("click", async () => {
    sent((await copy()) ? `Copied: paste it into a mail to your engineer. ${THANKS}` : "Select the text and copy it.");
  });
  find("save").addEventListener("click", () => {
    const href = URL.createObjectURL(new Blob([text()], { type: "text/plain" }));
    const link = element("a", { href, download: file });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    sent(`Saved: attach the small file to a mail to your engineer. ${THANKS}`);
  });
  return () => {
    find("text").value = text();
    find("mail").href = `mailto:?subject=${encodeURIComponent(subject)}&body=${encodeURIComponent(text())}`;
    const sheet = typeof navigator.share === "function";
    find("share").hidden = !sheet;
    find("mail").classList.toggle("strong", !sheet);
  };
}
