"""Simulated rooms and visits in which one fault is planted at a time. Nothing of `commission` computes sound here.

Modelled: boxes with six different surfaces by octave (a window, a door, an open side), image sources with scattering
and a diffuse tail (`images`), a sum of room modes below about twice the Schroeder frequency (`modes`), the same with
pyroomacoustics (`pra`, boxes and rooms with slanted or cut-off walls); two- and three-way, in-wall, horn, coaxial and
single-driver loudspeakers with crossovers of the usual orders, acoustic centres apart, directivity, tolerances between
two alike, own latency of subwoofers with or without low-pass; processors in m, ft or ms with rounding and their own
speed of sound; high-pass of bass management; errors of tape, survey, meter and microphone placement; response of the
microphone, noise, hum, sample rates, word lengths, clocks that are shared, shared by seat, drifting or not shared;
impulse responses and raw sweeps.

With sweeps at two levels: harmonics, compression, limiters, rattles (`loud`); with recordings of noise: states, hum
(`quiet`); loudspeakers in a wrong place or turned away (`placing`).

Not modelled: furniture and people (but for seat backs), diffraction, processing that changes with the signal, moving air.
Levels of deep bass depend on the wall model by 2–4 dB.

`scene` draws a room, `acoustics` computes responses of every driver at every seat, `installation` adds electronics,
wiring and microphone, `visits` makes the job from it by definition and import, `faults` plants and says what is right,
`matrix` runs and counts.
"""
