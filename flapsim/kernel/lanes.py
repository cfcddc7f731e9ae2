"""Designs side by side: a number that is one number of each of several designs.

The compiler can be asked to make vector instructions of a loop over designs, but it gives up for
many reasons and says so only in its remarks. Here a value *is* such a vector: arithmetic on it is
written like that on a plain number, and every instruction works on all lanes. That is also
why a design gives the same bits in whatever lane it falls and whatever its neighbours are: no lane
is ever treated by other instructions than the rest, and products are fused into sums only where
`fused` says so.

Inside compiled functions only. Plain numbers take part in any operation; `select`, `fused`, the
square root, ``min``, ``max`` and ``abs`` work on plain numbers too, so that one formula serves
both.
"""

from __future__ import annotations

import math
import operator
from typing import Any

import llvmlite.ir as ir
from numba.core import cgutils, types
from numba.core.datamodel import PrimitiveModel
from numba.core.extending import intrinsic, lower_builtin, lower_cast, register_model
from numba.core.typing import signature
from numba.core.typing.templates import AbstractTemplate, infer_global
from numba.np import arrayobj

LANES = 8
"""Designs in a block: the doubles of one vector register on wide machines, of two on others."""

ALL_LANES = (1 << LANES) - 1
"""What `lanes_where` returns for a condition that always holds."""

_VECTOR = ir.VectorType(ir.DoubleType(), LANES)
_FLAGS = ir.VectorType(ir.IntType(1), LANES)
_DOUBLE_BYTES = 8


class LanesType(types.Type):
    """One number of every design of a block."""

    def __init__(self) -> None:
        super().__init__(name="Lanes")

    def can_convert_from(self, _context: Any, other: Any) -> Any:
        """Admit a plain number, which is then the same in all lanes."""
        from numba.core.typeconv import Conversion

        return Conversion.safe if isinstance(other, types.Float | types.Integer) else None

    def unify(self, _context: Any, other: Any) -> Any:
        """Type of a variable that holds now lanes, now a plain number."""
        return self if isinstance(other, types.Float | types.Integer) else None


class MaskType(types.Type):
    """Whether something holds, for every design of a block."""

    def __init__(self) -> None:
        super().__init__(name="LanesMask")


_lanes, _mask = LanesType(), MaskType()
# What is made with it is called without the compiler's own argument, which its type does not tell.
_intrinsic: Any = intrinsic


@register_model(LanesType)
class _LanesModel(PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _VECTOR)


@register_model(MaskType)
class _MaskModel(PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _FLAGS)


def _spread(builder: Any, number: Any) -> Any:
    """The same number in all lanes."""
    one = builder.insert_element(ir.Constant(_VECTOR, ir.Undefined), number, _index(0))
    return builder.shuffle_vector(
        one,
        ir.Constant(_VECTOR, ir.Undefined),
        ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES),
    )


def _index(value: int) -> Any:
    return ir.Constant(ir.IntType(32), value)


@lower_cast(types.Float, LanesType)
@lower_cast(types.Integer, LanesType)
def _number_to_lanes(context: Any, builder: Any, kind: Any, _to: Any, value: Any) -> Any:
    return _spread(builder, context.cast(builder, value, kind, types.float64))


def _takes_part(kind: Any) -> bool:
    return isinstance(kind, LanesType | types.Float | types.Integer)


def _declare(function: Any, operands: int, result: Any, given: Any, lower: Any) -> None:
    """Define a function or operator on lanes: operand count, result and operand type, lowering."""

    def generic(_self: Any, args: Any, kws: Any) -> Any:
        here = len(args) == operands and not kws and all(_takes_part(kind) for kind in args)
        if not here or not any(isinstance(kind, LanesType) for kind in args):
            return None
        return signature(result, *(given,) * operands)

    infer_global(function)(type("Lanes", (AbstractTemplate,), {"generic": generic}))
    lower_builtin(function, *(given,) * operands)(
        lambda _context, builder, _signature, args: lower(builder, *args)
    )


def _arithmetic(name: str) -> Any:
    return lambda builder, a, b: getattr(builder, name)(a, b)


def _compare(sign: str) -> Any:
    return lambda builder, a, b: builder.fcmp_ordered(sign, a, b)


def _instruction(name: str) -> Any:
    """One of the compiler's own functions, for lanes or a plain number."""

    def lower(builder: Any, *args: Any) -> Any:
        kind = args[0].type
        suffix = f"v{LANES}f64" if isinstance(kind, ir.VectorType) else "f64"
        declared = ir.FunctionType(kind, [kind] * len(args))
        function = cgutils.get_or_insert_function(builder.module, declared, f"{name}.{suffix}")
        return builder.call(function, args)

    return lower


for _operators, _name in (
    ((operator.add, operator.iadd), "fadd"),
    ((operator.sub, operator.isub), "fsub"),
    ((operator.mul, operator.imul), "fmul"),
    ((operator.truediv, operator.itruediv), "fdiv"),
):
    for _operator in _operators:
        _declare(_operator, 2, _lanes, _lanes, _arithmetic(_name))
for _operator, _sign in (
    (operator.gt, ">"),
    (operator.ge, ">="),
    (operator.lt, "<"),
    (operator.le, "<="),
):
    _declare(_operator, 2, _mask, _lanes, _compare(_sign))
_declare(operator.neg, 1, _lanes, _lanes, lambda b, x: b.fneg(x))
_declare(math.sqrt, 1, _lanes, _lanes, _instruction("llvm.sqrt"))
_declare(abs, 1, _lanes, _lanes, _instruction("llvm.fabs"))
_declare(max, 2, _lanes, _lanes, lambda b, x, y: b.select(b.fcmp_ordered(">", x, y), x, y))
_declare(min, 2, _lanes, _lanes, lambda b, x, y: b.select(b.fcmp_ordered("<", x, y), x, y))


@_intrinsic
def row(_context: Any, array: Any, index: Any) -> Any:
    """Read a row of a flat array whose rows are of `LANES` numbers: ``row(array, index)``."""

    def lower(context: Any, builder: Any, given: Any, args: Any) -> Any:
        return builder.load(_place(context, builder, given, args), align=_DOUBLE_BYTES)

    return _lanes(array, types.intp), lower


@_intrinsic
def put(_context: Any, array: Any, index: Any, value: Any) -> Any:
    """Write a row of a flat array: ``put(array, index, value)``."""

    def lower(context: Any, builder: Any, given: Any, args: Any) -> Any:
        builder.store(args[2], _place(context, builder, given, args), align=_DOUBLE_BYTES)
        return context.get_dummy_value()

    return types.void(array, types.intp, _lanes), lower


def _place(context: Any, builder: Any, given: Any, args: Any) -> Any:
    data = arrayobj.make_array(given.args[0])(context, builder, args[0]).data
    first = builder.mul(args[1], ir.Constant(args[1].type, LANES))
    return builder.bitcast(builder.gep(data, [first]), _VECTOR.as_pointer())


@_intrinsic
def select(_context: Any, condition: Any, first: Any, second: Any) -> Any:
    """Choose ``first`` where the condition holds, ``second`` elsewhere."""
    kind = _lanes if isinstance(condition, MaskType) else types.float64

    def lower(_context: Any, builder: Any, _given: Any, args: Any) -> Any:
        return builder.select(*args)

    return kind(condition, kind, kind), lower


@_intrinsic
def fused(_context: Any, factor: Any, other: Any, addend: Any) -> Any:
    """``factor * other + addend``, in one rounding where the machine has such an instruction."""
    kinds = (factor, other, addend)
    kind = _lanes if any(isinstance(k, LanesType) for k in kinds) else types.float64

    def lower(_context: Any, builder: Any, _given: Any, args: Any) -> Any:
        return _instruction("llvm.fmuladd")(builder, *args)

    return kind(kind, kind, kind), lower


@_intrinsic
def both(_context: Any, first: Any, second: Any) -> Any:
    """Where two conditions hold at once."""
    return _mask(_mask, _mask), lambda _context, builder, _given, args: builder.and_(*args)


@_intrinsic
def either(_context: Any, first: Any, second: Any) -> Any:
    """Where one of two conditions holds."""
    return _mask(_mask, _mask), lambda _context, builder, _given, args: builder.or_(*args)


@_intrinsic
def anywhere(_context: Any, condition: Any) -> Any:
    """Whether a condition holds in any lane."""

    def lower(_context: Any, builder: Any, _given: Any, args: Any) -> Any:
        bits = builder.bitcast(args[0], ir.IntType(LANES))
        return builder.icmp_unsigned("!=", bits, ir.Constant(bits.type, 0))

    return types.boolean(_mask), lower


@_intrinsic
def lanes_where(_context: Any, condition: Any) -> Any:
    """Lanes in which a condition holds, as the bits of a whole number, the first lane lowest."""

    def lower(_context: Any, builder: Any, _given: Any, args: Any) -> Any:
        bits = builder.bitcast(args[0], ir.IntType(LANES))
        return builder.zext(bits, ir.IntType(64))

    return types.int64(_mask), lower
