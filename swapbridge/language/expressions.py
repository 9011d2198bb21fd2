"""Language room: the expression language: lexer and recursive-descent parser, text to tree; nothing is ever evaluated.

::

    expression = conjunction { "or" conjunction }
    conjunction = negation { "and" negation }
    negation   = "not" negation | comparison
    comparison = sum [ ( "<" | "<=" | ">" | ">=" | "==" | "!=" ) sum ]
    sum        = product { ( "+" | "-" ) product }
    product    = sign { "*" sign | "/" sign [ "else" sign ] }
    sign       = "-" sign | primary
    primary    = number [ unit ] | text | "true" | "false" | call | name { "." name } | "(" expression ")"
    call       = name "(" [ argument { "," argument } ] ")"
    argument   = expression [ ":" expression ] | name "=" expression | "else" expression
    number     = digits [ "." digits ] [ "e" [ "+" | "-" ] digits ] | "0x" hexdigits
    unit       = a known spelling | "[" any characters "]"
    text       = "'" any characters "'"
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from fractions import Fraction
from typing import NoReturn

from swapbridge.core.errors import InputError

MAX_TEXT = 4000
MAX_DEPTH = 40
KEYWORDS = frozenset({"and", "or", "not", "else", "true", "false"})


class ExpressionError(InputError):
    """An expression that can't be read or used; `column` counts from 1 within the expression."""

    def __init__(self, message: str, column: int) -> None:
        super().__init__(message)
        self.column = column


@dataclass(frozen=True, slots=True)
class Number:
    """A constant with its unit as written ("" for none)."""

    value: Fraction
    unit: str
    column: int = field(compare=False, default=1)


@dataclass(frozen=True, slots=True)
class Text:
    """A quoted choice name."""

    value: str
    column: int = field(compare=False, default=1)


@dataclass(frozen=True, slots=True)
class Truth:
    """true or false."""

    value: bool
    column: int = field(compare=False, default=1)


@dataclass(frozen=True, slots=True)
class Name:
    """A dotted name: a constant, a named value, `bus.MESSAGE.SIGNAL`, `bus.MESSAGE`, or `state`."""

    parts: tuple[str, ...]
    column: int = field(compare=False, default=1)

    @property
    def dotted(self) -> str:
        return ".".join(self.parts)


@dataclass(frozen=True, slots=True)
class Unary:
    """`-` or `not`."""

    operator: str
    operand: Node
    column: int = field(compare=False, default=1)


@dataclass(frozen=True, slots=True)
class Binary:
    """Two operands; `otherwise` is the `else` of a division."""

    operator: str
    left: Node
    right: Node
    otherwise: Node | None = None
    column: int = field(compare=False, default=1)


@dataclass(frozen=True, slots=True)
class Call:
    """A function with plain arguments, pairs ``key: value``, options ``name=value`` and an ``else`` argument."""

    function: str
    arguments: tuple[Node, ...]
    pairs: tuple[tuple[Node, Node], ...] = ()
    options: tuple[tuple[str, Node], ...] = ()
    otherwise: Node | None = None
    column: int = field(compare=False, default=1)


Node = Number | Text | Truth | Name | Unary | Binary | Call

_TOKEN = re.compile(
    r"""(?P<space>\s+)
    |(?P<number>0[xX][0-9a-fA-F]+|[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?(?![0-9]))
    |(?P<text>'[^'\n]*')
    |(?P<name>[A-Za-z_][A-Za-z0-9_]*)
    |(?P<operator><=|>=|==|!=|[-+*/<>(),.:=\[\]])""",
    re.VERBOSE,
)
_UNIT_BEGINS = re.compile(r"[^\W\d_]|[%°/]")


@dataclass(frozen=True, slots=True)
class Token:
    kind: str
    text: str
    column: int
    unit: str = ""


def tokenize(text: str, units: Collection[str]) -> list[Token]:
    """Cut an expression into tokens; a number takes the longest known unit that follows it.

    Raises
    ------
    ExpressionError
        A character that belongs to nothing, or an unknown unit behind a number.
    """
    if len(text) > MAX_TEXT:
        raise ExpressionError(f"the expression is longer than {MAX_TEXT} characters: name parts of it in [values]", 1)
    tokens: list[Token] = []
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None:
            raise ExpressionError(f"{text[at]!r} is not allowed here: remove it", at + 1)
        kind, begin = str(found.lastgroup), at
        at = found.end()
        if kind == "space":
            continue
        unit = ""
        if kind == "number":
            unit, at = _unit_at(text, at, units)
        tokens.append(Token(kind, found.group(), begin + 1, unit))
    tokens.append(Token("end", "", len(text) + 1))
    return tokens


def _unit_at(text: str, at: int, units: Collection[str]) -> tuple[str, int]:
    """The unit behind a number, and where it ends; "" when an operator, keyword or bracket follows."""
    begin = at
    while begin < len(text) and text[begin] in " \t":
        begin += 1
    if begin < len(text) and text[begin] == "[":
        end = text.find("]", begin)
        if end < 0:
            raise ExpressionError("the unit's [ has no ]: close it", begin + 1)
        return text[begin + 1 : end].strip(), end + 1
    if begin >= len(text) or not _UNIT_BEGINS.match(text[begin]):
        return "", at
    best = ""
    for unit in units:
        end = begin + len(unit)
        if len(unit) > len(best) and text.startswith(unit, begin) and not _joins(text, end, unit):
            best = unit
    if best:
        return best, begin + len(best)
    word = re.match(r"[^\s(),:]+", text[begin:])
    shown = word.group() if word else text[begin]
    if text[begin] == "/" or shown in KEYWORDS:
        return "", at
    raise ExpressionError(f"unit {shown!r} is not known; declare it under [units], or put * before a name", begin + 1)


def _joins(text: str, end: int, unit: str) -> bool:
    """Whether a unit's text runs on into a longer word or is a function call."""
    if end >= len(text):
        return False
    following = text[end]
    if following == "(":
        return True
    return (unit[-1].isalnum() or unit[-1] == "_") and (following.isalnum() or following in "_.")


def parse(text: str, units: Collection[str]) -> Node:
    """Parse one expression.

    Parameters
    ----------
    text : str
        The expression.
    units : collection of str
        Unit spellings that may follow a number.

    Raises
    ------
    ExpressionError
        Where and why the text is not an expression.
    """
    parser = _Parser(tokenize(text, units))
    node = parser.expression()
    if parser.now.kind != "end":
        parser.fail(f"{parser.now.text!r} is not expected here: write an operator, or end the expression")
    return node


class _Parser:
    def __init__(self, tokens: list[Token]) -> None:
        self._tokens, self._at, self._depth = tokens, 0, 0

    @property
    def now(self) -> Token:
        return self._tokens[self._at]

    def fail(self, message: str) -> NoReturn:
        raise ExpressionError(message, self.now.column)

    def take(self) -> Token:
        token = self.now
        self._at += 1
        return token

    def has(self, *texts: str) -> bool:
        return self.now.kind in ("operator", "name") and self.now.text in texts

    def need(self, text: str, after: str) -> None:
        if not self.has(text):
            shown = repr(self.now.text) if self.now.text else "the end"
            self.fail(f"{text!r} is expected {after}, not {shown}")
        self.take()

    def expression(self) -> Node:
        self._depth += 1
        if self._depth > MAX_DEPTH:
            self.fail(f"the expression nests deeper than {MAX_DEPTH}: name parts of it in [values]")
        node = self._conjunction()
        while self.has("or"):
            column = self.take().column
            node = Binary("or", node, self._conjunction(), column=column)
        self._depth -= 1
        return node

    def _conjunction(self) -> Node:
        node = self._negation()
        while self.has("and"):
            column = self.take().column
            node = Binary("and", node, self._negation(), column=column)
        return node

    def _negation(self) -> Node:
        if self.has("not"):
            column = self.take().column
            return Unary("not", self._deeper(self._negation), column)
        return self._comparison()

    def _comparison(self) -> Node:
        node = self._sum()
        if self.has("<", "<=", ">", ">=", "==", "!="):
            token = self.take()
            node = Binary(token.text, node, self._sum(), column=token.column)
            if self.has("<", "<=", ">", ">=", "==", "!="):
                self.fail("comparisons can't be chained: join two of them with `and`")
        return node

    def _sum(self) -> Node:
        node = self._product()
        while self.has("+", "-"):
            token = self.take()
            node = Binary(token.text, node, self._product(), column=token.column)
        return node

    def _product(self) -> Node:
        node = self._sign()
        while self.has("*", "/"):
            token = self.take()
            right = self._sign()
            otherwise = None
            if token.text == "/" and self.has("else"):
                self.take()
                otherwise = self._sign()
            node = Binary(token.text, node, right, otherwise, token.column)
        return node

    def _sign(self) -> Node:
        if self.has("-"):
            column = self.take().column
            operand = self._deeper(self._sign)
            if isinstance(operand, Number):
                return Number(-operand.value, operand.unit, column)
            return Unary("-", operand, column)
        return self._primary()

    def _deeper(self, part: object) -> Node:
        self._depth += 1
        if self._depth > MAX_DEPTH:
            self.fail(f"the expression nests deeper than {MAX_DEPTH}: name parts of it in [values]")
        node: Node = part()  # type: ignore[operator]
        self._depth -= 1
        return node

    def _primary(self) -> Node:
        token = self.now
        if token.kind == "number":
            self.take()
            return Number(_number(token), token.unit, token.column)
        if token.kind == "text":
            self.take()
            return Text(token.text[1:-1], token.column)
        if self.has("("):
            self.take()
            node = self.expression()
            self.need(")", "after the bracket's expression")
            return node
        if token.kind != "name" or (token.text in KEYWORDS and token.text not in ("true", "false")):
            shown = repr(token.text) if token.text else "the end"
            self.fail(f"a value is expected here (number, signal, 'choice', function or bracket), not {shown}")
        self.take()
        if token.text in ("true", "false"):
            return Truth(token.text == "true", token.column)
        if self.has("("):
            return self._call(token)
        parts = [token.text]
        while self.has("."):
            self.take()
            if self.now.kind not in ("name", "number"):
                self.fail("a name is expected after the dot")
            parts.append(self.take().text)
        return Name(tuple(parts), token.column)

    def _call(self, name: Token) -> Node:
        self.take()
        arguments: list[Node] = []
        pairs: list[tuple[Node, Node]] = []
        options: list[tuple[str, Node]] = []
        otherwise: Node | None = None
        while not self.has(")"):
            if self.now.kind == "end":
                self.fail(f"the bracket of {name.text} is not closed: add )")
            following = self._tokens[self._at + 1]
            if self.has("else"):
                self.take()
                if otherwise is not None:
                    self.fail("a call can have only one `else`")
                otherwise = self.expression()
            elif self.now.kind == "name" and following.kind == "operator" and following.text == "=":
                key = self.take().text
                self.take()
                if key in dict(options):
                    self.fail(f"option {key!r} is given twice")
                options.append((key, self.expression()))
            else:
                node = self.expression()
                if self.has(":"):
                    self.take()
                    pairs.append((node, self.expression()))
                elif pairs:
                    self.fail("a plain argument can't follow `key: value` pairs")
                else:
                    arguments.append(node)
            if not self.has(")"):
                self.need(",", f"between the arguments of {name.text}")
        self.take()
        return Call(name.text, tuple(arguments), tuple(pairs), tuple(options), otherwise, name.column)


def _number(token: Token) -> Fraction:
    if token.text[:2] in ("0x", "0X"):
        return Fraction(int(token.text, 16))
    return Fraction(token.text)


def names_in(node: Node) -> tuple[Name, ...]:
    """Every name in a tree, in the order of writing."""
    if isinstance(node, Name):
        return (node,)
    out: list[Name] = []
    for child in children(node):
        out += names_in(child)
    return tuple(out)


def children(node: Node) -> tuple[Node, ...]:
    """Direct parts of a node."""
    if isinstance(node, Unary):
        return (node.operand,)
    if isinstance(node, Binary):
        return (node.left, node.right) if node.otherwise is None else (node.left, node.right, node.otherwise)
    if isinstance(node, Call):
        parts = [*node.arguments]
        for key, value in node.pairs:
            parts += [key, value]
        parts += [value for _, value in node.options]
        return (*parts, node.otherwise) if node.otherwise is not None else tuple(parts)
    return ()


def write(node: Node) -> str:
    """The tree as text again, for messages to people."""
    if isinstance(node, Number):
        value = node.value
        text = str(value) if value.denominator == 1 else decimal_text(value)
        return f"{text} {node.unit}" if node.unit else text
    if isinstance(node, Text):
        return f"'{node.value}'"
    if isinstance(node, Truth):
        return "true" if node.value else "false"
    if isinstance(node, Name):
        return node.dotted
    if isinstance(node, Unary):
        return f"not {write(node.operand)}" if node.operator == "not" else f"-{write(node.operand)}"
    if isinstance(node, Binary):
        tail = f" else {write(node.otherwise)}" if node.otherwise is not None else ""
        return f"({write(node.left)} {node.operator} {write(node.right)}{tail})"
    parts = [write(a) for a in node.arguments] + [f"{write(k)}: {write(v)}" for k, v in node.pairs]
    parts += [f"{k}={write(v)}" for k, v in node.options]
    parts += [f"else {write(node.otherwise)}"] if node.otherwise is not None else []
    return f"{node.function}({', '.join(parts)})"


def decimal_text(value: Fraction) -> str:
    """A decimal fraction written exactly, or as p/q when it has no end."""
    for digits in range(1, 30):
        if (value * 10**digits).denominator == 1:
            scaled = str(abs(int(value * 10**digits))).rjust(digits + 1, "0")
            return f"{'-' if value < 0 else ''}{scaled[:-digits]}.{scaled[-digits:]}"
    return f"{value.numerator}/{value.denominator}"
