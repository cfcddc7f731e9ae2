"""How fast the strip kernel is, as ratios measured in one run: ``python -m validation.speed``.

Ratios carry to other machines, designs per second do not. The contestants answer one question
(`question`) from the same packed numbers: the kernel; its arithmetic in plain C, lanes of designs,
built by the system's compiler (`by_c`, ``yardstick.c``); its physics in numpy, vectorised over
designs, steps and strips (`by_numpy`); and a script that marches one design (`by_script`).

They take turns, so that whatever else the machine does falls on all of them. Single-threaded
ratios are of processor time, the gain of a second thread is one of wall time and means something
only while the second core is free.
"""
