"""One-line changes to Python source that a test ought to notice.

An own few lines rather than mutmut or cosmic-ray: as far as they are known (from memory), those
change files of the tree or a copy of it, know no C, and draw no sample that costs the same every
day.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
}
_PAIRED = {"min": "max", "max": "min", "any": "all", "all": "any"}
FACTOR = 10.0  # on a number with a point: a threshold that is this wrong must be missed


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change; ``name`` stays when lines above it come and go."""

    path: str
    line: int
    name: str
    source: Callable[[], str]  # to be asked at once, before the next is made


def mutants_of(path: str, source: str) -> Iterator[Mutant]:
    """Every change of one file, in the order of its lines; messages and hints are left alone."""
    tree = ast.parse(source)
    seen: dict[str, int] = {}
    for scope, holder, field, place, node in list(_sites(tree)):
        for changed in _changes(node):
            before = " ".join(ast.unparse(node).split())[:70]
            after = " ".join(ast.unparse(changed).split())[:70]
            _put(holder, field, place, changed)
            name = f"{scope}: {before} -> {after}"
            seen[name] = seen.get(name, 0) + 1
            if seen[name] > 1:
                name += f" #{seen[name]}"
            line = getattr(node, "lineno", 0)
            yield Mutant(path=path, line=line, name=name, source=partial(_text, tree))
            _put(holder, field, place, node)


def _text(tree: ast.Module) -> str:
    return ast.unparse(ast.fix_missing_locations(tree))


def _put(holder: ast.AST, field: str, place: int | None, node: ast.AST) -> None:
    if place is None:
        setattr(holder, field, node)
    else:
        getattr(holder, field)[place] = node


_Site = tuple[str, ast.AST, str, int | None, ast.AST]


def _sites(node: ast.AST, scope: str = "") -> Iterator[_Site]:
    for field, value in ast.iter_fields(node):
        if _says_nothing(node, field):
            continue
        many = value if isinstance(value, list) else [value]
        for place, child in enumerate(many):
            if not isinstance(child, ast.AST) or _is_talk(child):
                continue
            inner = scope
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                inner = f"{scope}.{child.name}" if scope else child.name
            yield inner or "module", node, field, place if isinstance(value, list) else None, child
            yield from _sites(child, inner)


def _says_nothing(node: ast.AST, field: str) -> bool:
    """Types, decorators and texts change nothing that a part could feel."""
    if field in ("annotation", "returns", "decorator_list", "bases", "keywords", "type_params"):
        return field != "keywords" or isinstance(node, ast.ClassDef)
    return isinstance(node, ast.JoinedStr)


def _is_talk(node: ast.AST) -> bool:
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True  # a docstring
    if isinstance(node, ast.ClassDef):
        return any(isinstance(base, ast.Name) and base.id == "Protocol" for base in node.bases)
    return isinstance(node, ast.Import | ast.ImportFrom | ast.JoinedStr | ast.Assert)


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Compare(left=left, ops=[op], comparators=right):
            for other in _COMPARED[type(op)]:
                yield ast.Compare(left=left, ops=[other()], comparators=right)
        case ast.BoolOp(op=op, values=values):
            yield ast.BoolOp(op=ast.Or() if isinstance(op, ast.And) else ast.And(), values=values)
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield operand
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _COMPUTED:
            yield ast.BinOp(left=left, op=_COMPUTED[type(op)](), right=right)
        case ast.AugAssign(target=target, op=op, value=value) if type(op) in _COMPUTED:
            yield ast.AugAssign(target=target, op=_COMPUTED[type(op)](), value=value)
        case ast.Constant(value=bool() as value):
            yield ast.Constant(value=not value)
        case ast.Constant(value=int() as value):
            yield ast.Constant(value=value + 1)
        case ast.Constant(value=float() as value):
            yield ast.Constant(value=value * FACTOR if value else 1.0)
        case ast.Call(func=ast.Name(id="abs"), args=[inside]):
            yield inside
        case ast.Call(func=ast.Name(id=name), args=args, keywords=keywords) if name in _PAIRED:
            yield ast.Call(func=ast.Name(id=_PAIRED[name]), args=args, keywords=keywords)
        case ast.If() | ast.IfExp() | ast.While():
            yield from _other_ways(node)
        case ast.Expr(value=ast.Call() | ast.Await()) | ast.Raise():
            yield ast.Pass()
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Continue()
        case _:
            return


def _other_ways(node: ast.If | ast.IfExp | ast.While) -> Iterator[ast.AST]:
    """The condition is never heeded; for a choice, or always is."""
    values = {field: getattr(node, field) for field in node._fields}
    yield type(node)(**{**values, "test": ast.Constant(value=False)})
    if not isinstance(node, ast.While):
        yield type(node)(**{**values, "test": ast.Constant(value=True)})
