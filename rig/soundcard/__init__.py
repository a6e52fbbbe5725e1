"""A sound card as source and digitizer at once: both inputs are read while the output plays.

The audio runs in a process of its own (:mod:`whichcore.rig.soundcard.worker`), because a dead audio server
hangs whoever waits for it. :class:`~whichcore.rig.soundcard.card.SoundCard` plays and records;
:mod:`~whichcore.rig.soundcard.instruments` makes a source and a digitizer of it for a stepped sweep.
"""
