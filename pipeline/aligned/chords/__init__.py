"""Tell the strikes of a chord apart by sound, in a microphone that hears several strikers.

Once an alignment has said who plays where, the strikes that came alone show how each striker sounds. A chord's sound is
then the sum of its strikers', and says when each of them struck:

    windows.Channel -> templates.learn (a striker's sound) -> joint_fit.explain (an onset) -> telling.tell_apart

The only place after `hits` that looks at the sound; it reads windows, in order, so its memory does not grow with
length. Nothing is imported here: scipy.fft costs every job a tenth of its start, and few need it.
"""
