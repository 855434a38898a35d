"""The deck: prepared lanes played through a device, a silent clock or into a file.

- Three processes: the stream's own (spawned, in a session of its own, so that a busy terminal's group does
  not hold up the sound), the renderer of lanes, and the session. A stream that is lost, hangs or is to
  change device costs its process.
- A switch keeps the moment of the song: `sound(…, since=clock)` names the clock reading at which the place
  was worked out; the callback adds what it has played since.
- One gate: every change closes it over 5 ms, happens, and opens it; so two items cannot sound together. A
  lane that runs dry fades before its end and counts as a dropout.
- Lanes are made from the first frame, so a limiter's state is the render's; the one that is wanted at once
  overtakes the others. Until it is made that far there is silence and `Now.waiting`.
- Gain-only lanes take the gain after the conversion, a render before it: within 2^-23 at another rate, bit
  for bit at the same. Shared numbers and the ring of the last 5 s lie in memory without a name; lanes in
  `scratch/PID` with a lock.
"""
