"""The least that finds a tick: fold the receiver's channel at the marker, look
for a burst of tone. Prints how long after the marker it comes, in seconds."""
import sys
import wave

import numpy as np
from scipy import signal

LOW = 8000  # Hz
LENGTH = 60  # seconds at a time

recording = wave.open(sys.argv[1])
rate = recording.getframerate()
factor = rate // LOW
fold = np.zeros(LOW)
kept = np.empty((0, 2), np.int16)
while True:
    frames = recording.readframes(LENGTH * rate)
    if not frames:
        break
    kept = np.concatenate([kept, np.frombuffer(frames, "<i2").reshape(-1, 2)])
    radio = signal.decimate(kept[:, 0].astype(float), factor, ftype="fir")
    marker = kept[:, 1] > 0.5 * kept[:, 1].max()
    last = -rate
    for edge in np.flatnonzero(marker[1:] & ~marker[:-1]) + 1:
        first = round(edge / factor)
        if edge - last > rate // 2 and first + LOW <= len(radio):
            fold += radio[first : first + LOW]
            last = edge
    kept = kept[last + rate // 2 :].copy()  # the second not yet folded is in it

t = np.arange(round(5e-3 * LOW)) / LOW
burst = np.exp(-2j * np.pi * 1000 * t)
level = np.abs(signal.correlate(np.concatenate([fold, fold[: len(t) - 1]]), np.conj(burst), "valid"))
k = int(np.argmax(level))
a, b, c = level[k - 1], level[k], level[(k + 1) % LOW]
print((k + 0.5 * (a - c) / (a - 2 * b + c)) / LOW)
