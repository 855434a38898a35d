// What the page begins with: the vote where one is asked for, else the listening part.
(function start() {
  const read = (id) => { const found = document.getElementById(id); return found && JSON.parse(found.textContent); };
  const ballot = read("ballot"), sounds = read("sounds");
  if (ballot) startVoting(ballot);
  if (sounds) startListening(sounds);
  // paper shows everything
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("#rest details, #main > section:not(#vote) details:not(.caution)")].filter((one) => !one.open);
    for (const one of closed) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of closed) one.open = false; });
})();
