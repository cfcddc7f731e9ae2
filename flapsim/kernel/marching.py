"""March a rate-limited actuator in time: the one recurrence that is not over blocks of designs."""

from __future__ import annotations

from flapsim.kernel.compiled import compiled

_SETTLED = 1e-10
_MOST_STROKES = 400


@compiled
def march_actuator(out, command, matrix, limit, step, position, rate):
    """March an actuator until a stroke repeats; write its position, rad, to ``out``, shape (n,).

    ``command``, rad, is that in the middle of each interval of length ``step``, s; ``matrix`` the
    exact step of position error and rate under a constant command; ``limit`` the largest rate,
    rad/s; ``position`` and ``rate`` the initial state.
    """
    first_order = matrix[1, 1] == 0.0 and matrix[0, 1] == 0.0
    most, least = command.max(), command.min()
    tolerance = _SETTLED * (most - least + 1e-9)
    for _ in range(_MOST_STROKES):
        worst = 0.0
        for i in range(command.size):
            error = position - command[i]
            after = command[i] + matrix[0, 0] * error + matrix[0, 1] * rate
            if first_order:
                move = min(max(after - position, -limit * step), limit * step)
                after = position + move
            else:
                rate = matrix[1, 0] * error + matrix[1, 1] * rate
                if abs(rate) > limit:
                    rate = min(max(rate, -limit), limit)
                    after = position + rate * step
            middle = 0.5 * (position + after)
            worst = max(worst, abs(middle - out[i]))
            out[i] = middle
            position = after
        if worst < tolerance:
            break
