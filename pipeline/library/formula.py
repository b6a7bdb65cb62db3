"""Arithmetic over metrics, as written by a person: read, checked, computed.

Allowed are numbers, metric keys, ``+ - * /``, brackets and the functions ``abs``,
``min``, ``max``, ``log2``, ``sqrt``. Nothing else is understood, so a formula can do
nothing but arithmetic.
"""

import ast
from collections.abc import Callable, Mapping
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from pipeline.library.refusals import QueryError
from pipeline.models.metrics import METRICS

Float = NDArray[np.float64]
MOST_CHARACTERS = 1_000
_KEYS = {metric.key: metric for metric in METRICS}
_OPERATORS: dict[type[ast.operator], Callable[[Float, Float], Float]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.divide,
}
_FUNCTIONS: dict[str, tuple[int, Callable[..., Float]]] = {
    "abs": (1, np.abs),
    "log2": (1, np.log2),
    "sqrt": (1, np.sqrt),
    "min": (2, np.minimum),
    "max": (2, np.maximum),
}


class Formula:
    """A formula that was read and may be computed.

    Parameters
    ----------
    text : str
        As written; a `QueryError` is raised if it holds anything but arithmetic over
        metrics.
    """

    def __init__(self, text: str) -> None:
        self.text = " ".join(text.split())
        if len(text) > MOST_CHARACTERS:
            self._refuse(f"at most {MOST_CHARACTERS} characters are read")
        try:
            self._tree = ast.parse(self.text, mode="eval").body
        except (SyntaxError, ValueError, RecursionError, MemoryError):
            self._refuse("expected arithmetic such as presence_db - 0.5 * mud_db")
        self.keys: tuple[str, ...] = ()
        try:
            self._check(self._tree)
        except RecursionError:
            self._refuse("too deep")

    def _refuse(self, why: str) -> NoReturn:
        msg = f"formula {self.text[:80]!r}: {why}."
        raise QueryError(msg)

    def _check(self, node: ast.expr) -> None:
        match node:
            case ast.Constant(value=value):
                self._check_number(value)
            case ast.Name(id=key):
                self._check_key(key)
            case ast.BinOp(left=left, op=operator, right=right):
                if type(operator) not in _OPERATORS:
                    self._refuse("only + - * / are understood")
                self._check(left)
                self._check(right)
            case ast.UnaryOp(op=ast.USub() | ast.UAdd(), operand=inner):
                self._check(inner)
            case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]):
                self._check_call(name, arguments)
            case _:
                self._refuse("only numbers, metrics, + - * / and functions of them")

    def _check_number(self, value: object) -> None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._refuse("only numbers, metrics, + - * / and functions of them")
        if abs(value) > 1e9:
            self._refuse("a number in it is too large")

    def _check_key(self, key: str) -> None:
        if key not in _KEYS:
            self._refuse(f"{key!r} is no metric; known: {', '.join(_KEYS)}")
        self.keys = tuple(dict.fromkeys((*self.keys, key)))

    def _check_call(self, name: str, arguments: list[ast.expr]) -> None:
        if len(arguments) != _FUNCTIONS.get(name, (-1, None))[0]:
            known = ", ".join(_FUNCTIONS)
            self._refuse(f"{name} is no function of {len(arguments)} values: {known}")
        for argument in arguments:
            self._check(argument)

    def values(self, metrics: Mapping[str, Float]) -> Float:
        """Compute the formula for many captures at once.

        Parameters
        ----------
        metrics : mapping of str to ndarray, shape (n,)
            By key; NaN where a capture has none.

        Returns
        -------
        ndarray, shape (n,)
            NaN where a metric is absent or the arithmetic has no result.
        """
        shape = next(iter(metrics.values())).shape if metrics else (0,)
        with np.errstate(all="ignore"):
            found = np.broadcast_to(self._value(self._tree, metrics), shape).copy()
        found[~np.isfinite(found)] = np.nan
        return found

    def _value(self, node: ast.expr, metrics: Mapping[str, Float]) -> Float:
        match node:
            case ast.Constant(value=int() | float() as number):
                return np.asarray(float(number))
            case ast.Name(id=key):
                return metrics[key]
            case ast.BinOp(left=left, op=operator, right=right):
                sides = self._value(left, metrics), self._value(right, metrics)
                return _OPERATORS[type(operator)](*sides)
            case ast.UnaryOp(op=sign, operand=inner):
                value = self._value(inner, metrics)
                return -value if isinstance(sign, ast.USub) else value
            case ast.Call(func=ast.Name(id=name), args=arguments):
                parts = [self._value(argument, metrics) for argument in arguments]
                return _FUNCTIONS[name][1](*parts)
        msg = "a formula that was checked holds nothing else"
        raise AssertionError(msg)

    def terms(self) -> tuple[str, ...]:
        """Say what each metric in the formula is, with its Hz and dB.

        Returns
        -------
        tuple of str
            One line a metric.
        """
        rows = (_KEYS[key] for key in self.keys)
        return tuple(
            f"{m.key}: {m.label}{f', {m.unit}' if m.unit else ''}. {m.definition}."
            for m in rows
        )
