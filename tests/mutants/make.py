"""Mutants: copies of the tool with one small fault each, made from the syntax tree of a module.

The operators are the classical ones: a comparison becomes its neighbour, + becomes − and * becomes /, `and` becomes
`or`, a condition is turned round, a sign or a `not` falls away, a number is one more, the first becomes the last,
the least the greatest, any becomes all, and a statement that only does something is left out.
No mutant is made in what is said in words, in annotations, in decorators, in what an error says and in `strict=`.
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

__all__ = ["COVERED", "Block", "Edit", "Mutant", "blocks_of", "covered", "edits", "mutants_of", "source_of", "tree_of"]

# Run, result, decision, model and statistics; of a session the functions that decide something.
_SESSION = ("_look_up", "_watch", "_on_record", "_ill", "_pending", "parted", "_idle", "_wall", "_notice")
COVERED: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(
        (
            "holdzero.acceptance",
            "holdzero.characteristic",
            "holdzero.core_terms",
            "holdzero.decide",
            "holdzero.distribution",
            "holdzero.error_distribution",
            "holdzero.evaluate",
            "holdzero.limit",
            "holdzero.model",
            "holdzero.model_findings",
            "holdzero.montecarlo",
            "holdzero.outlier",
            "holdzero.outlook",
            "holdzero.oversight",
            "holdzero.propagation",
            "holdzero.result",
            "holdzero.risk",
            "holdzero.second_order",
            "holdzero.statistics",
            "holdzero.views",
        ),
        (),
    ),
    "holdzero.session": tuple(f"Session.{name}" for name in _SESSION),
}
PACKAGES = ("holdzero.run", "holdzero.charts")

_SWAPPED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
_PAIRS = (("min", "max"), ("any", "all"), ("minimum", "maximum"), ("logical_and", "logical_or"), ("argmin", "argmax"))
_OTHER = {a: b for pair in _PAIRS for a, b in (pair, pair[::-1])}
# A condition with one of these is turned round by its neighbour already.
_TURNED = (ast.Eq, ast.NotEq, ast.In, ast.NotIn, ast.Is, ast.IsNot)
_WORDS = ("text", "sentence", "message", "during", "code", "told", "strict", "what")
_LEFT_OUT = ("annotation", "returns", "decorator_list", "type_params", "pattern", "bases", "targets")
_CONTEXT = 88


@dataclass(frozen=True, slots=True)
class Block:
    """A list of statements that run one after another, within a function.

    Attributes:
        module: its name.
        function: its qualified name, of the outermost one; empty outside of functions.
        number: of the list in the function, from 1; 0 where no list of a function holds it, as a default.
        digest: of the function's syntax tree, so that a changed one is known.
    """

    module: str
    function: str
    number: int = 0
    digest: str = ""

    def __str__(self) -> str:
        return f"{self.module}:{self.function}:{self.digest}:{self.number}"


@dataclass(frozen=True, slots=True)
class Edit:
    """A node in the place of another."""

    block: Block
    line: int
    holder: ast.AST
    field: str
    index: int | None
    node: ast.AST
    of: ast.AST
    above: tuple[ast.AST, ...]

    def put(self, node: ast.AST) -> ast.AST:
        """Put a node there; gives the one that stood there."""
        before: ast.AST
        if self.index is None:
            before = getattr(self.holder, self.field)
            setattr(self.holder, self.field, node)
        else:
            before = getattr(self.holder, self.field)[self.index]
            getattr(self.holder, self.field)[self.index] = node
        return before

    def texts(self) -> tuple[str, str]:
        """What stood there, and what stands there then, with what is about it."""
        context = _context(self.of, self.above)
        old = _shown(context)
        held = getattr(self.holder, self.field)
        if context is (held if self.index is None else held[self.index]):
            return old, _shown(self.node)
        before = self.put(self.node)
        new = _shown(context)
        self.put(before)
        return old, new


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault.

    Attributes:
        block: where it is.
        number: which of the module's.
        line: of the module's file, from 1.
        old: what stands there.
        new: what the mutant has there.
    """

    block: Block
    number: int
    line: int
    old: str
    new: str

    def __str__(self) -> str:
        where = f"{self.block.module}:{self.line}"
        return f"{where} {self.block.function or 'module'}: {self.old}  →  {self.new}"


def covered() -> list[str]:
    """Names of all modules of which mutants are made."""
    within = [f"{name}.{path.stem}" for name in PACKAGES for path in sorted(_file_of(name).parent.glob("*.py"))]
    return sorted({*COVERED, *(name.removesuffix(".__init__") for name in within)})


def source_of(module: str) -> str:
    """Its text."""
    return _file_of(module).read_text("utf-8")


@cache
def _file_of(module: str) -> Path:
    top, *inner = module.split(".")
    # Of the uppermost package alone: to look for a module below it, the package would be loaded.
    spec = find_spec(top)
    if spec is None or spec.origin is None:
        raise ValueError(f"there is no module {module}")
    path = Path(spec.origin).parent.joinpath(*inner)
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


def tree_of(module: str, text: str | None = None) -> ast.Module:
    """Its syntax tree, anew each time."""
    return ast.parse(source_of(module) if text is None else text)


def mutants_of(module: str) -> Iterator[Mutant]:
    """All mutants of a module."""
    only = COVERED.get(module, ())
    for number, edit in enumerate(edits(module, tree_of(module))):
        if not only or edit.block.function in only:
            yield Mutant(edit.block, number, edit.line, *edit.texts())


def blocks_of(module: str, tree: ast.Module) -> Iterator[tuple[Block, list[ast.stmt]]]:
    """All lists of statements within functions, with what they are called."""
    for name, function in _functions(tree):
        digest = _digest(function)
        for number, body in enumerate(_bodies(function), 1):
            yield Block(module, name, number, digest), body


def _functions(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef]]:
    for item in tree.body:
        if isinstance(item, ast.FunctionDef):
            yield item.name, item
        elif isinstance(item, ast.ClassDef):
            yield from ((f"{item.name}.{own.name}", own) for own in item.body if isinstance(own, ast.FunctionDef))


def _digest(node: ast.AST) -> str:
    return hashlib.sha256(ast.unparse(node).encode()).hexdigest()[:12]


def _bodies(node: ast.AST) -> Iterator[list[ast.stmt]]:
    for _, value in ast.iter_fields(node):
        if isinstance(value, list):
            if value and isinstance(value[0], ast.stmt):
                yield value
            for item in value:
                if isinstance(item, ast.AST):
                    yield from _bodies(item)


def edits(module: str, tree: ast.Module) -> Iterator[Edit]:
    """All edits of a tree, in an order that depends on the tree only."""
    within = {id(node): name for name, node in _functions(tree)}
    numbers = {id(body): block for block, body in blocks_of(module, tree)}
    yield from _edits(tree, Block(module, ""), (), within, numbers)


def _edits(
    node: ast.AST, block: Block, above: tuple[ast.AST, ...], within: dict[int, str], numbers: dict[int, Block]
) -> Iterator[Edit]:
    if isinstance(node, ast.FunctionDef) and not _mutable(node):
        return
    for field, value in ast.iter_fields(node):
        if field in _LEFT_OUT or (isinstance(node, ast.arguments) and "defaults" not in field):
            continue
        listed = isinstance(value, list)
        own = numbers.get(id(value), block) if listed else block
        if isinstance(value, ast.arguments) and id(node) in within:
            own = Block(block.module, within[id(node)])
        for index, child in enumerate(value if listed else (value,)):
            if not isinstance(child, ast.AST) or _of_words(child):
                continue
            place = index if listed else None
            line = next((item.lineno for item in (child, node, *above[::-1]) if hasattr(item, "lineno")), 0)
            for holder, name, at, new in _options(child, node, field, place):
                placed = ast.copy_location(new, _placed(child, node))
                yield Edit(own, line, holder, name, at, placed, child, (*above, node))
            yield from _edits(child, own, (*above, node), within, numbers)


def _placed(child: ast.AST, node: ast.AST) -> ast.AST:
    return child if hasattr(child, "lineno") else node


def _mutable(function: ast.FunctionDef) -> bool:
    """Whether a function does more than say something in words."""
    returned = "" if function.returns is None else ast.unparse(function.returns)
    return function.name not in ("__repr__", "__str__") and returned not in ("str", "str | None", "list[str]")


def _of_words(node: ast.AST) -> bool:  # noqa: PLR0911  one arm a kind
    """Whether all of it is words, or guards against an error of the programmer's only."""
    match node:
        case ast.Raise() | ast.Assert() | ast.JoinedStr():
            return True
        case ast.keyword(arg=str() as name):
            return name in _WORDS
        case ast.If(test=ast.Name(id="TYPE_CHECKING")):
            return True
        case ast.Assign(targets=[ast.Name(id=name)]):
            return name in (*_WORDS, "__all__") or _prose(node.value)
        case ast.AnnAssign(annotation=ast.Name(id="TypeAlias")) | ast.Subscript(value=ast.Name(id="Literal")):
            return True
        case ast.AugAssign(target=ast.Name(id=name)):
            return name in _WORDS or _prose(node.value)
        case ast.Expr(value=ast.Constant()):
            return True
        case ast.expr():
            return _prose(node)
    return False


def _prose(node: ast.AST | None) -> bool:
    match node:
        case ast.JoinedStr():
            return True
        case ast.Constant(value=str() as text):
            return " " in text
        case ast.IfExp(body=one, orelse=other) | ast.BinOp(left=one, right=other):
            return _prose(one) or _prose(other)
        case ast.Call(func=ast.Attribute(value=ast.Constant(value=str()), attr="join")):
            return True
    return False


Option = tuple[ast.AST, str, int | None, ast.AST]


def _options(  # noqa: C901, PLR0912  one arm an operator
    node: ast.AST, holder: ast.AST, field: str, index: int | None
) -> Iterator[Option]:
    """What can stand in the place of a node, or in it."""
    match node:
        case ast.Compare(ops=ops):
            for at, operator in enumerate(ops):
                yield node, "ops", at, _SWAPPED[type(operator)]()
        case ast.BinOp(op=op) | ast.BoolOp(op=op) if type(op) in _SWAPPED:
            yield node, "op", None, _SWAPPED[type(op)]()
        case ast.AugAssign(op=op):
            if type(op) in _SWAPPED:
                yield node, "op", None, _SWAPPED[type(op)]()
            yield holder, field, index, ast.Pass()
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            if not (isinstance(holder, ast.Subscript) and field == "slice"):
                yield holder, field, index, operand
        case ast.If(test=test) | ast.While(test=test) | ast.IfExp(test=test):
            if _turns(test):
                yield node, "test", None, ast.copy_location(ast.UnaryOp(ast.Not(), test), test)
        case ast.comprehension(ifs=conditions):
            for at, test in enumerate(conditions):
                if _turns(test):
                    yield node, "ifs", at, ast.copy_location(ast.UnaryOp(ast.Not(), test), test)
        case ast.Constant(value=bool() as value):
            yield holder, field, index, ast.Constant(not value)
        case ast.Constant(value=int() | float() as number):
            if not (isinstance(holder, ast.Subscript) and field == "slice" and number == 0):
                yield holder, field, index, ast.Constant(number + 1)
        case ast.Call(func=ast.Name(id=name)) if name in _OTHER:
            yield node, "func", None, ast.copy_location(ast.Name(_OTHER[name], ast.Load()), node)
        case ast.Call(func=ast.Attribute(value=ast.Name(id="np") as of, attr=name)) if name in _OTHER:
            yield node, "func", None, ast.copy_location(ast.Attribute(of, _OTHER[name], ast.Load()), node)
        case ast.Expr(value=ast.Yield() as said):
            nothing = ast.copy_location(ast.YieldFrom(ast.copy_location(ast.Tuple([], ast.Load()), said)), said)
            yield holder, field, index, ast.Expr(nothing)
        case ast.Expr(value=ast.Call()) | ast.Assign(targets=[ast.Subscript() | ast.Attribute()]):
            yield holder, field, index, ast.Pass()
    if isinstance(node, ast.Subscript):
        match node.slice:
            case ast.Constant(value=0):
                last = ast.UnaryOp(ast.USub(), ast.copy_location(ast.Constant(1), node))
                yield node, "slice", None, ast.copy_location(last, node)
            case ast.UnaryOp(op=ast.USub(), operand=ast.Constant(value=1)):
                yield node, "slice", None, ast.copy_location(ast.Constant(0), node)


def _turns(test: ast.expr) -> bool:
    """Whether to turn a condition round is a mutant of its own."""
    if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        return False
    return not (isinstance(test, ast.Compare) and len(test.ops) == 1 and isinstance(test.ops[0], _TURNED))


def _context(node: ast.AST, above: tuple[ast.AST, ...]) -> ast.AST:
    """As much of what is about a node as fits into a line; at least something that can be read by itself."""
    chosen: ast.AST | None = None
    for item in (node, *above[::-1]):
        if isinstance(item, ast.Module | ast.ClassDef | ast.FunctionDef):
            break
        if isinstance(item, ast.expr | ast.keyword | ast.stmt):
            if chosen is not None and len(_shown(item)) > _CONTEXT:
                break
            chosen = item
            if isinstance(item, ast.stmt):
                break
    return chosen or node


def _shown(node: ast.AST) -> str:
    """A node as text, of a statement with others in it the first line."""
    text = ast.unparse(node)
    return text.split("\n", 1)[0] if isinstance(node, ast.stmt) else text
