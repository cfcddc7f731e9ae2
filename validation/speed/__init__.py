"""How fast the strip kernel is, as ratios measured in one run: ``python -m validation.speed``.

Ratios carry to other machines, designs per second do not. The contestants answer one question
(`question`) from the same packed numbers: the kernel; its arithmetic in plain C, lanes of designs,
built by the system's compiler (`by_c`, ``yardstick.c``); its physics in numpy, vectorised over
designs, steps and strips (`by_numpy`); and a script that marches one design (`by_script`).

They take turns, so that whatever else the machine does falls on all of them. Ratios are of
processor time, but for the gain of a second thread, which is one of wall time, of sixteen times the
designs, and means something only while the second core is free.

What stands in the way of the goals that are missed: the script works on all strips of a step at
once and is done after four strokes of 0.02 s, so that 10,000 times as fast is 120,000 designs a
second on two cores, half as many again as the plain C reaches. Of the kernel's time the flow of the
strips and the loads take a quarter each, the wake a fifth, the circulation a seventh. The assembly
of all of them is vector code of full width, without a call but for the friction law's, once a
strip; one pass at a time, over and over on the same strip, they would do a third more, so the rest
is waiting for the second-level cache. A second thread costs 4 or 5 % more processor time (shared
cache, fresh memory for the results); plain C does not gain more from it on the same machine.
"""
