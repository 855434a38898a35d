// Comments of a listener: a moment of a track, what is meant, a line of words. They stay in this browser, the
// unfinished one too, until they are sent as text.
function clock(seconds) { return `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`; }

// The moment of a tap on a picture, in seconds.
function timeAt(plot, event) {
  const box = plot.getBoundingClientRect();
  return ((event.clientX - box.left) / box.width) * Number(plot.dataset.length);
}

function startComments(sounds, plots, moment) {
  const find = (id) => document.getElementById(`comment-${id}`);
  const memory = `fairhearing comments ${sounds.page}`;
  const fields = { at: find("at"), words: find("words"), name: find("name") };
  let kept = [], draft = null;

  const text = (value) => (typeof value === "string" ? value : "");
  const known = (one) => one && one.track in sounds.tracks && Number.isFinite(one.at)
    && (one.opinion === "" || one.opinion === "trouble" || sounds.songs[one.track].includes(one.opinion));
  try {
    const found = JSON.parse(localStorage.getItem(memory));
    kept = found.kept.filter((one) => known(one) && one.opinion && /^[0-9a-f]{8}$/.test(one.number));
    for (const one of kept) one.words = text(one.words);
    if (known(found.draft)) draft = { ...found.draft, words: text(found.draft.words), number: text(found.draft.number) };
    fields.name.value = text(found.name);
  } catch { /* nothing kept, or not ours */ }

  const remember = () => keepInBrowser(memory, { kept, draft, name: fields.name.value });

  const versions = (track) => sounds.songs[track];
  const liked = (track, other) => (versions(track).length < 2 ? "I like this" : `I prefer ${sounds.tracks[other]}`);
  const meant = (one) => (one.opinion === "trouble" ? "trouble here" : liked(one.track, one.opinion).replace("I ", ""));
  const title = (one) => `${clock(one.at)}, ${sounds.tracks[one.track]}: ${meant(one)}`;

  // What is sent: of each comment a line that the program reads, and the words.
  function letter() {
    const name = fields.name.value.trim(), lines = [`Comments: ${sounds.title}`];
    for (const one of kept) {
      const opinion = one.opinion === "trouble" ? "trouble" : `prefer-${Number(one.opinion) + 1}`;
      const body = `1 ${sounds.page} ${Number(one.track) + 1} ${one.at.toFixed(1)} ${opinion} ${one.number}`;
      lines.push("", `moment: ${title(one)}`, `fairhearing-comment ${body} ${checksum(body)}`, ...nameAndWords(name, one.words));
    }
    return `${lines.join("\n")}\n`;
  }
  const sending = bindSending("comment", `Comments: ${sounds.title}`, letter, `comments-${sounds.page}.txt`);

  // Dots on the picture: the kept ones, and the one being written.
  function dots() {
    for (const plot of plots) {
      for (const old of plot.querySelectorAll(".dot")) old.remove();
      for (const one of draft ? [...kept, draft] : kept) {
        if (!plot.querySelector(`.curve[data-index="${one.track}"]`)) continue;
        const dot = element("span", { className: one === draft ? "dot on" : "dot" });
        dot.style.left = `${Math.min(100, (100 * one.at) / Number(plot.dataset.length))}%`;
        plot.append(dot);
      }
    }
  }

  function opinions() {
    const box = find("opinions");
    for (const old of box.querySelectorAll("label")) old.remove();
    for (const value of [...versions(draft.track), "trouble"]) {
      const label = element("label"), words = value === "trouble" ? "Trouble here" : liked(draft.track, value);
      label.append(element("input", { type: "radio", name: "opinion", value, checked: draft.opinion === value }));
      label.append(element("span", { textContent: words, dir: "auto" }));
      box.append(label);
    }
  }

  function show() {
    find("here").hidden = draft !== null;
    find("form").hidden = draft === null;
    find("out").hidden = kept.length === 0;
    if (draft) {
      const at = sounds.lengths[draft.track];
      fields.at.max = String(at);
      fields.at.value = String(draft.at);
      fields.at.setAttribute("aria-valuetext", clock(draft.at));
      find("where").textContent = `At ${clock(draft.at)} in ${sounds.tracks[draft.track]}`;
      find("keep").setAttribute("aria-disabled", String(!draft.opinion));
    }
    const list = find("list");
    list.textContent = "";
    for (const one of kept) {
      const item = element("li"), words = element("span", { dir: "auto" });
      words.append(element("small", { textContent: title(one) }), one.words);
      const change = element("button", { type: "button", className: "slim", textContent: "Change" });
      change.setAttribute("aria-label", `Change the comment at ${clock(one.at)}`);
      change.addEventListener("click", () => {
        if (draft && !keep()) return;
        draft = kept.splice(kept.indexOf(one), 1)[0];
        open();
      });
      item.append(words, " ", change);
      list.append(item);
    }
    dots();
    sending();
  }

  function open() {
    fields.words.value = draft.words;
    find("status").textContent = "";
    opinions();
    remember();
    show();
    fields.words.focus({ preventScroll: true });
    find("form").scrollIntoView({ block: "nearest" });
  }

  function keep() {
    if (!draft.opinion) {
      find("status").textContent = "Choose one of these first.";
      return false;
    }
    kept.push(draft);
    kept.sort((a, b) => a.at - b.at);
    draft = null;
    find("status").textContent = remember() ? "Kept in this browser until you send it." : "This browser keeps nothing: send it before you leave the page.";
    show();
    return true;
  }

  find("here").addEventListener("click", () => {
    draft = { ...moment(), opinion: "", words: "", number: randomNumber() };
    open();
  });
  find("keep").addEventListener("click", () => { if (keep()) find("here").focus(); });
  find("drop").addEventListener("click", () => {
    draft = null;
    find("status").textContent = "";
    remember();
    show();
    find("here").focus();
  });
  fields.at.addEventListener("input", () => { draft.at = Number(fields.at.value); remember(); show(); });
  fields.words.addEventListener("input", () => { draft.words = oneLine(fields.words.value); remember(); });
  fields.name.addEventListener("input", () => { remember(); sending(); });
  find("opinions").addEventListener("change", (event) => {
    draft.opinion = event.target.value;
    find("status").textContent = "";
    remember();
    show();
  });
  // Before anything is sent, the one being written is kept too.
  find("out").addEventListener("click", () => { if (draft && draft.opinion) { keep(); } }, true);
  // A tap on the picture moves the comment that is being written.
  for (const plot of plots) {
    plot.addEventListener("click", (event) => {
      if (!draft || !plot.querySelector(`.curve[data-index="${draft.track}"]`)) return;
      draft.at = Math.round(10 * Math.min(Math.max(timeAt(plot, event), 0), sounds.lengths[draft.track])) / 10;
      remember();
      show();
    });
  }
  if (draft) { fields.words.value = draft.words; opinions(); }
  show();
}
