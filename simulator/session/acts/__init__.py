"""What the commands of a session do. Nothing rises by more than 3 dB at once (`level_guard`).

Blind trials (`trial_offer`, `trial_steps`): nothing but `trial.show` may reach a screen. No switch has a
fade, since one in one direction only would tell which version comes; all lanes are whole before the first
round (`Prepare`/`Prepared`), and are held until it is over, since a wait would tell; what does not fit into
the limit together is refused at once. The passage's level is measured in the lanes then (K-weighted, the
exact frames, up to 30 s): by the 100 ms series, drums at an offset of 50 ms were up to 1.8 LU apart on 2 s
and 10 LU on 0.5 s (mastered music 0.12 and 0.5); by the frames at most 0.002 LU, heard in the file, mono
against stereo and behind a limiter too. The log gets the whole draw with the act that begins a trial, and
each answer as it is given (`trial begun`, `trial answer`, `trial`); a trial without an end gives no result,
and its words name no version, since it may still go on in another session. New revisions, players and offsets
wait until it is over. The leak test runs the same trial with the versions exchanged and with other seeds, and
demands equal words, effects, ramps and toolbars.
"""
