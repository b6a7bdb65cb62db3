"""An invented session with known truth, synthesised on the spot.

The place is a grain loft above a harbour, the player is a set of plucked-string
equations, and the rig belongs to nobody. What is modelled is what a night of
reamping is made of: a dry phrase, two amp gains, four kinds of microphone, places
on the cone, distances, a floor, a room, a recorder that starts when it likes.
Every colour is minimum phase with its onset at zero, so that the latency of each
capture is known exactly: where the recorder started, the converters, and flight.
"""
