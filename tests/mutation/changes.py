"""Small wrong changes to a file of source: what can be changed, and the file with one change made.

A change is one operator, comparison, number, truth value, condition or call that is replaced or taken out. Docstrings,
annotations and texts are left alone: no test of behaviour could notice them.
"""

import ast
from dataclasses import dataclass
from typing import Any

OPERATORS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.Or: ast.And, ast.And: ast.Or, ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
CALLS = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
SHARE = 1.5
TEXT_CALLS = frozenset({"text", "refuse", "Field", "field", "lru_cache", "TypeVar"})


@dataclass(frozen=True)
class Change:
    """One change: the file's path in the tree, the lines of its statement, its number in the file, and both texts."""

    path: str
    line: int
    end_line: int
    number: int
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.before} -> {self.after}"


class _Walk(ast.NodeTransformer):
    """Count the places that can be changed; change the one whose number is `chosen`."""

    def __init__(self, path: str, chosen: int | None = None) -> None:
        self.path, self.chosen = path, chosen
        self.found: list[Change] = []
        self._statement: list[ast.stmt] = []
        self._quiet = 0

    def visit(self, node: ast.AST) -> Any:
        """Visit a node, knowing the statement that it stands in."""
        if isinstance(node, ast.stmt):
            self._statement.append(node)
            try:
                return super().visit(node)
            finally:
                self._statement.pop()
        return super().visit(node)

    def _offer(self, node: ast.expr | ast.stmt, changed: ast.AST) -> ast.AST:
        if self._quiet:
            return node
        statement = self._statement[-1]
        body = getattr(statement, "body", None)
        last = body[0].lineno - 1 if isinstance(body, list) and body else statement.end_lineno or statement.lineno
        number = len(self.found)
        before, after = (ast.unparse(shown).splitlines()[0] for shown in (node, changed))
        self.found.append(Change(self.path, node.lineno, max(last, node.lineno), number, before, after))
        return ast.copy_location(changed, node) if number == self.chosen else node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        """Leave a text."""
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        """Leave the annotation, walk the value."""
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        """Leave the annotations, walk the defaults."""
        node.defaults = [self.visit(default) for default in node.defaults]
        node.kw_defaults = [default and self.visit(default) for default in node.kw_defaults]
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        """Leave decorators and the annotation of what is returned."""
        self.visit_arguments(node.args)
        node.body = [self.visit(statement) for statement in node.body]
        return node

    def visit_Subscript(self, node: ast.Subscript) -> ast.AST:
        """Leave what is written like a type (`Literal["a"]`, `dict[str, int]`)."""
        if (isinstance(node.value, ast.Name) and node.value.id[:1].isupper()) or ast.unparse(node.value) == "Annotated":
            return node
        return self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        """Change an operator of arithmetic."""
        self.generic_visit(node)
        swapped = OPERATORS.get(type(node.op))
        types = isinstance(node.op, ast.BitOr) and ("None" in ast.unparse(node) or not self._statement)
        if swapped is None or types or (isinstance(node.left, ast.Constant | ast.JoinedStr) and _is_text(node.left)):
            return node
        return self._offer(node, ast.BinOp(node.left, swapped(), node.right))  # type: ignore[arg-type]

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        """Change and into or, or the other way round."""
        self.generic_visit(node)
        return self._offer(node, ast.BoolOp(OPERATORS[type(node.op)](), node.values))  # type: ignore[arg-type]

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        """Change the first comparison."""
        self.generic_visit(node)
        ops = [OPERATORS[type(node.ops[0])](), *node.ops[1:]]
        return self._offer(node, ast.Compare(node.left, ops, node.comparators))  # type: ignore[arg-type]

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        """Take a `not` or a minus away."""
        self.generic_visit(node)
        return self._offer(node, node.operand) if isinstance(node.op, ast.Not | ast.USub) else node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        """Change a number or a truth value."""
        if isinstance(node.value, bool):
            return self._offer(node, ast.Constant(not node.value))
        if isinstance(node.value, int):
            return self._offer(node, ast.Constant(node.value + 1))
        if isinstance(node.value, float):
            return self._offer(node, ast.Constant(node.value * SHARE if node.value else 1.0))
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        """Swap min and max and the like; leave calls that only carry texts or the bounds of a field."""
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in TEXT_CALLS:
            return node
        self.generic_visit(node)
        if isinstance(node.func, ast.Name) and name in CALLS:
            return self._offer(node, ast.Call(ast.Name(CALLS[name], ast.Load()), node.args, node.keywords))
        return node

    def visit_If(self, node: ast.If) -> ast.AST:
        """Turn a condition round, unless it is a comparison, which is changed by itself."""
        self.generic_visit(node)
        if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp):
            node.test = self._offer(node.test, ast.UnaryOp(ast.Not(), node.test))  # type: ignore[assignment]
        return node

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        """Take a call out whose value is not used."""
        if isinstance(node.value, ast.Constant):
            return node
        self.generic_visit(node)
        return self._offer(node, ast.Pass()) if isinstance(node.value, ast.Call) else node

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        """Leave the wording of an error."""
        return node


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def changes(path: str, source: str) -> list[Change]:
    """Return every change that can be made to a file."""
    walk = _Walk(path)
    walk.visit(ast.parse(source))
    return walk.found


def changed(change: Change, source: str) -> ast.Module:
    """Return the file's tree with one change made."""
    tree = _Walk(change.path, change.number).visit(ast.parse(source))
    return ast.fix_missing_locations(tree)  # type: ignore[no-any-return]
