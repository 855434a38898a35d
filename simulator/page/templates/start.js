// What the page begins with: the vote where one is asked for, else the listening part.
(function start() {
  document.documentElement.classList.add("scripted");
  const read = (id) => { const found = document.getElementById(id); return found && JSON.parse(found.textContent); };
  const ballot = read("ballot"), sounds = read("sounds");
  if (ballot) startVoting(ballot);
  if (sounds) startListening(sounds);
})();
