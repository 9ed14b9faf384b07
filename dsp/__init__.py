"""Signal arithmetic for meters: numpy and scipy only; no thread, clock, file, window or log.

Conventions, everywhere in this package:

* Audio is ``(frames, channels)`` float64, full scale 1.0. Other shapes are refused, never guessed.
* Power and energy stay linear inside; decibels appear in ``read`` and in ``units``.
* Silence is minus infinity decibels. "Not yet" and "unknown" are NaN.
* Time is a count of frames. Windows become frames, or 10 ms ticks, once, in ``prepare``.
* Any split of the same signal into blocks gives the same answer.
* Lost frames are never filled in: ``skip(frames)`` accounts for them.
"""
