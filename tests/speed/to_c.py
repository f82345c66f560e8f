"""The plant's kernels as C: the same equations, statement by statement, from the same source text.

The kernels are written in a small part of Python (numbers, arrays, loops), which translates line by line. What comes out is
compiled with `gcc -O3` and, like numba's code, without reordering of floating-point operations; the benchmark checks that
both give the same rows. It serves comparison only: nothing of it is shipped or used by a run.
"""

import ast
import inspect
import math
import textwrap
from typing import Any

HEADER = """
#include <complex.h>
#include <math.h>
typedef double complex cpx;
typedef struct { double *d; long n; } A1;
typedef struct { double *d; long rows, cols; } A2;
typedef struct { cpx *d; long n; } C1;
typedef struct { cpx *d; long rows, cols; } C2;
static inline double dmin(double a, double b) { return b < a ? b : a; }
static inline double dmax(double a, double b) { return b > a ? b : a; }
static inline long imin(long a, long b) { return b < a ? b : a; }
static inline long imax(long a, long b) { return b > a ? b : a; }
static inline double pmod(double a, double b) { double r = fmod(a, b); return r != 0.0 && (r < 0) != (b < 0) ? r + b : r; }
static inline cpx mk(double re, double im) { return CMPLX(re, im); }
static inline cpx mul(cpx a, cpx b) { return CMPLX(creal(a) * creal(b) - cimag(a) * cimag(b), creal(a) * cimag(b) + cimag(a) * creal(b)); }
static inline cpx quo(cpx a, cpx b) {
    double p = creal(b), q = cimag(b);
    if (fabs(p) >= fabs(q)) { double r = q / p, t = p + q * r; return CMPLX((creal(a) + cimag(a) * r) / t, (cimag(a) - creal(a) * r) / t); }
    double r = p / q, t = p * r + q; return CMPLX((creal(a) * r + cimag(a)) / t, (cimag(a) * r - creal(a)) / t);
}
"""
RANK = {"int": 0, "double": 1, "cpx": 2}
ARRAYS = ("A1", "A2", "C1", "C2")
COMPLEX = {"n"}  # the one array of phasors
CALLS = {"math.sqrt": "sqrt", "math.fabs": "fabs", "math.exp": "exp", "math.expm1": "expm1", "math.hypot": "hypot",
         "math.sin": "sin", "math.cos": "cos", "math.floor": "floor", "abs": "fabs"}  # fmt: skip


class Kernel:
    """One kernel's source and what is known of its names."""

    def __init__(self, function: Any) -> None:
        self.plain = function.py_func
        self.name = self.plain.__name__
        self.tree: ast.FunctionDef = ast.parse(textwrap.dedent(inspect.getsource(self.plain))).body[0]  # type: ignore[assignment]
        self.arguments = [a.arg for a in self.tree.args.args]
        self.types: dict[str, str] = {}
        for a in self.tree.args.args:
            said = ast.unparse(a.annotation) if a.annotation else "Any"
            self.types[a.arg] = {"float": "double", "int": "int", "bool": "int", "complex": "cpx"}.get(
                said, "A1"
            )
        said = ast.unparse(self.tree.returns) if self.tree.returns else "None"
        self.returns = [
            {"float": "double", "int": "int", "bool": "int", "complex": "cpx"}[w.strip()]
            for w in said.removeprefix("tuple[").removesuffix("]").split(",")
            if w.strip() != "None"
        ]

    @property
    def result(self) -> str:
        if not self.returns:
            return "void"
        return ctype(self.returns[0]) if len(self.returns) == 1 else f"R_{self.name}"


def ctype(kind: str) -> str:
    return {"int": "long"}.get(kind, kind)


def translate(entry: Any) -> str:
    """C source of `entry` and of every kernel that it calls."""
    found: dict[str, Kernel] = {}
    _gather(entry, found)
    _ranks(found)
    parts = [HEADER]
    for kernel in found.values():
        if len(kernel.returns) > 1:
            fields = " ".join(f"{ctype(kind)} r{k};" for k, kind in enumerate(kernel.returns))
            parts.append(f"typedef struct {{ {fields} }} R_{kernel.name};")
    bodies = {name: Writer(kernel, found).function() for name, kernel in found.items()}
    parts += [_head(kernel) + ";" for kernel in found.values()]
    return "\n".join([*parts, *bodies.values()])


def _head(kernel: Kernel) -> str:
    given = ", ".join(f"{ctype(kernel.types[a])} {a}_" for a in kernel.arguments)
    return f"static {kernel.result} k_{kernel.name}({given})"


def _gather(function: Any, found: dict[str, Kernel]) -> None:
    kernel = Kernel(function)
    for node in ast.walk(kernel.tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            called = kernel.plain.__globals__.get(node.func.id)
            if hasattr(called, "py_func") and called.py_func.__name__ not in found:
                _gather(called, found)
    found.setdefault(kernel.name, kernel)


def _ranks(found: dict[str, Kernel]) -> None:
    """Which arrays are of two dimensions: those indexed so, and those passed to where they are."""
    for kernel in found.values():
        for node in ast.walk(kernel.tree):
            if (
                isinstance(node, ast.Subscript)
                and isinstance(node.value, ast.Name)
                and kernel.types.get(node.value.id) == "A1"
            ) and isinstance(node.slice, ast.Tuple):
                kernel.types[node.value.id] = "C2" if node.value.id in COMPLEX else "A2"
    changed = True
    while changed:
        changed = False
        for kernel in found.values():
            for node in ast.walk(kernel.tree):
                if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                    continue
                called = kernel.plain.__globals__.get(node.func.id)
                if not hasattr(called, "py_func"):
                    continue
                other = found[called.py_func.__name__]
                for given, name in zip(node.args, other.arguments, strict=True):
                    if (
                        isinstance(given, ast.Name)
                        and kernel.types.get(given.id) == "A1"
                        and other.types[name] in ("A2", "C2")
                    ):
                        kernel.types[given.id] = other.types[name]
                        changed = True
                    row = (
                        isinstance(given, ast.Subscript)
                        and isinstance(given.value, ast.Name)
                        and other.types[name] == "A1"
                    )
                    if row and kernel.types.get(given.value.id) == "A1":  # type: ignore[attr-defined]
                        kernel.types[given.value.id] = "A2"  # type: ignore[attr-defined]
                        changed = True
        for kernel in found.values():  # a row taken of it, or its second length asked for
            for node in ast.walk(kernel.tree):
                if isinstance(node, ast.Subscript) and ast.unparse(node).endswith(".shape[1]"):
                    name = ast.unparse(node).removesuffix(".shape[1]")
                    if kernel.types.get(name) == "A1":
                        kernel.types[name] = "A2"
                        changed = True
                if isinstance(node, ast.Assign) and isinstance(node.value, ast.Tuple):
                    for value in node.value.elts:
                        if (
                            isinstance(value, ast.Subscript)
                            and isinstance(value.value, ast.Name)
                            and value.value.id == "scratch"
                        ):
                            kernel.types["scratch"] = "A2"


def _is_length(node: ast.Subscript) -> bool:
    return isinstance(node.value, ast.Attribute) and node.value.attr == "shape"


class Writer:
    """Writes one kernel."""

    def __init__(self, kernel: Kernel, found: dict[str, Kernel]) -> None:
        self.kernel, self.found = kernel, found
        self.types = dict(kernel.types)
        self.constants: dict[str, Any] = {}
        self.temporary = 0
        for _ in range(6):  # until the kinds of all local names have settled
            before = dict(self.types)
            for node in ast.walk(kernel.tree):
                self._learn(node)
            if before == self.types:
                break

    # ---- kinds

    def _learn(self, node: ast.AST) -> None:
        if isinstance(node, ast.Assign):
            for target in node.targets:
                self._learn_target(target, node.value)
        elif isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name):
            self._join(node.target.id, "double" if isinstance(node.op, ast.Div) else self.kind(node.value))
        elif isinstance(node, ast.For) and isinstance(node.target, ast.Name):
            self.types.setdefault(node.target.id, "int")

    def _learn_target(self, target: ast.expr, value: ast.expr) -> None:
        if isinstance(target, ast.Name):
            self._join(target.id, self.kind(value))
        elif isinstance(target, ast.Tuple):
            if isinstance(value, ast.Tuple):
                for one, other in zip(target.elts, value.elts, strict=True):
                    self._learn_target(one, other)
            elif (called := self.called(value)) is not None:
                for one, kind in zip(target.elts, called.returns, strict=True):
                    if isinstance(one, ast.Name):
                        self._join(one.id, kind)

    def _join(self, name: str, kind: str) -> None:
        held = self.types.get(name)
        if kind in ARRAYS or held in ARRAYS:
            self.types[name] = kind if kind in ARRAYS else str(held)
        elif held is None or RANK[kind] > RANK[held]:
            self.types[name] = kind

    def called(self, node: ast.expr) -> Kernel | None:
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            function = self.kernel.plain.__globals__.get(node.func.id)
            if hasattr(function, "py_func"):
                return self.found[function.py_func.__name__]
        return None

    def constant(self, node: ast.expr) -> Any:
        """The value of a name of the module, or None."""
        if isinstance(node, ast.Name) and node.id in self.constants:
            return self.constants[node.id]
        if isinstance(node, ast.Name) and node.id not in self.types:
            return self.kernel.plain.__globals__.get(node.id)
        if isinstance(node, ast.Attribute):
            held = self.constant(node.value)
            return getattr(held, node.attr) if held is not None else None
        return None

    def kind(self, node: ast.expr) -> str:
        if isinstance(node, ast.Constant):
            return "double" if isinstance(node.value, float) else "int"
        value = self.constant(node) if isinstance(node, ast.Name | ast.Attribute) else None
        if isinstance(value, int | float):
            return "double" if isinstance(value, float) else "int"
        if isinstance(node, ast.Name):
            return self.types.get(node.id, "double")
        if isinstance(node, ast.Attribute):
            return "double"  # .real, .imag
        if isinstance(node, ast.Subscript):
            if _is_length(node):
                return "int"
            held = self.kind(node.value)
            if held in ("A2", "C2") and not isinstance(node.slice, ast.Tuple):
                return f"{held[0]}1"
            return "cpx" if held in ("C1", "C2") else "double"
        if isinstance(node, ast.BinOp):
            left, right = self.kind(node.left), self.kind(node.right)
            both = left if RANK[left] >= RANK[right] else right
            return "double" if isinstance(node.op, ast.Div | ast.Pow) and both == "int" else both
        if isinstance(node, ast.UnaryOp):
            return "int" if isinstance(node.op, ast.Not) else self.kind(node.operand)
        if isinstance(node, ast.Compare | ast.BoolOp):
            return "int"
        if isinstance(node, ast.IfExp):
            left, right = self.kind(node.body), self.kind(node.orelse)
            return left if left in ARRAYS or RANK[left] >= RANK[right] else right
        if isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            if name.endswith(".conjugate") or name == "complex":
                return "cpx"
            if name in ("int", "bool"):
                return "int"
            if name in ("min", "max"):
                kinds = [self.kind(a) for a in node.args]
                return "double" if "double" in kinds else "int"
            called = self.called(node)
            return called.returns[0] if called is not None and called.returns else "double"
        raise NotImplementedError(ast.dump(node))

    # ---- expressions

    def text(self, node: ast.expr) -> str:
        if isinstance(node, ast.Constant):
            return str(int(node.value)) if isinstance(node.value, bool | int) else repr(node.value)
        if isinstance(node, ast.Name | ast.Attribute):
            value = self.constant(node)
            if isinstance(value, float) and math.isinf(value):
                return "INFINITY"
            if isinstance(value, int | float):
                return (
                    f"({value!r})"
                    if value < 0
                    else (repr(value) if not isinstance(value, bool) else str(int(value)))
                )
            if isinstance(node, ast.Attribute):
                return f"{'creal' if node.attr == 'real' else 'cimag'}({self.text(node.value)})"
            return f"{node.id}_"
        if isinstance(node, ast.Subscript):
            return self.subscript(node)
        if isinstance(node, ast.BinOp):
            return self.binary(node)
        if isinstance(node, ast.UnaryOp):
            return f"({'!' if isinstance(node.op, ast.Not) else '-'}{self.text(node.operand)})"
        if isinstance(node, ast.BoolOp):
            sign = " && " if isinstance(node.op, ast.And) else " || "
            return "(" + sign.join(self.text(value) for value in node.values) + ")"
        if isinstance(node, ast.Compare):
            return self.compare(node)
        if isinstance(node, ast.IfExp):
            return f"({self.text(node.test)} ? {self.text(node.body)} : {self.text(node.orelse)})"
        if isinstance(node, ast.Call):
            return self.call(node)
        raise NotImplementedError(ast.dump(node))

    def subscript(self, node: ast.Subscript) -> str:
        if _is_length(node):
            name, _, axis = ast.unparse(node).partition(".shape[")
            return f"{name}_.{'n' if self.types[name] == 'A1' else ('rows' if axis[0] == '0' else 'cols')}"
        name = ast.unparse(node.value)
        if isinstance(node.slice, ast.Tuple):
            row, column = (self.text(part) for part in node.slice.elts)
            return f"{name}_.d[({row}) * {name}_.cols + ({column})]"
        if self.types[name] in ("A2", "C2"):
            return f"(({self.types[name][0]}1){{{name}_.d + ({self.text(node.slice)}) * {name}_.cols, {name}_.cols}})"
        return f"{name}_.d[{self.text(node.slice)}]"

    def binary(self, node: ast.BinOp) -> str:
        left, right = self.text(node.left), self.text(node.right)
        kinds = self.kind(node.left), self.kind(node.right)
        if isinstance(node.op, ast.Pow):
            if right == "2":
                return f"({left} * {left})" if kinds[0] != "cpx" else f"mul({left}, {left})"
            return f"pow({left}, {right})"
        if isinstance(node.op, ast.Mod):
            return f"({left} % {right})" if kinds == ("int", "int") else f"pmod({left}, {right})"
        if kinds[0] == kinds[1] == "cpx" and isinstance(node.op, ast.Mult | ast.Div):
            return f"{'mul' if isinstance(node.op, ast.Mult) else 'quo'}({left}, {right})"
        if isinstance(node.op, ast.Div):
            if kinds == ("int", "int"):
                left = f"(double){left}"
            elif kinds[1] == "cpx":
                return f"quo({left}, {right})"
        sign = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}[type(node.op)]
        return f"({left} {sign} {right})"

    def compare(self, node: ast.Compare) -> str:
        signs = {ast.Gt: ">", ast.Lt: "<", ast.GtE: ">=", ast.LtE: "<=", ast.Eq: "==", ast.NotEq: "!="}
        left, pieces = node.left, []
        for op, right in zip(node.ops, node.comparators, strict=True):
            pieces.append(f"{self.text(left)} {signs[type(op)]} {self.text(right)}")
            left = right
        return "(" + " && ".join(pieces) + ")"

    def call(self, node: ast.Call) -> str:
        name = ast.unparse(node.func)
        if name.endswith(".conjugate"):
            assert isinstance(node.func, ast.Attribute)
            return f"conj({self.text(node.func.value)})"
        given = [self.text(a) for a in node.args]
        if name == "complex":
            return f"mk({given[0]}, {given[1]})"
        if name in ("float", "bool"):
            return f"({'double' if name == 'float' else 'long'})({given[0]})"
        if name == "int":
            return f"(long)({given[0]})"
        if name in ("min", "max"):
            letter = "d" if self.kind(node) == "double" else "i"
            text = given[0]
            for other in given[1:]:
                text = f"{letter}{name}({text}, {other})"
            return text
        if name in CALLS:
            return f"{CALLS[name]}({', '.join(given)})"
        called = self.called(node)
        assert called is not None, name
        return f"k_{called.name}({', '.join(given)})"

    # ---- statements

    def function(self) -> str:
        body = self.block(
            self.kernel.tree.body[1:] if ast.get_docstring(self.kernel.tree) else self.kernel.tree.body
        )
        declared = "".join(
            f"    {ctype(kind)} {name}_;\n"
            for name, kind in sorted(self.types.items())
            if name not in self.kernel.arguments
        )
        return f"{_head(self.kernel)} {{\n{declared}{body}}}\n"

    def block(self, statements: list[ast.stmt]) -> str:
        return "".join(self.statement(one) for one in statements)

    def statement(self, node: ast.stmt) -> str:
        if isinstance(node, ast.Return):
            return self.back(node.value)
        if isinstance(node, ast.If):
            text = f"if ({self.text(node.test)}) {{\n{self.block(node.body)}}}"
            return text + (f" else {{\n{self.block(node.orelse)}}}\n" if node.orelse else "\n")
        if isinstance(node, ast.For):
            return self.loop(node)
        if isinstance(node, ast.Assign):
            return self.assign(node)
        if isinstance(node, ast.AugAssign):
            value = ast.BinOp(node.target, node.op, node.value)
            return f"{self.text(node.target)} = {self.text(value)};\n"
        if isinstance(node, ast.Expr):
            return f"{self.text(node.value)};\n" if isinstance(node.value, ast.Call) else ""
        if isinstance(node, ast.Continue | ast.Break):
            return "continue;\n" if isinstance(node, ast.Continue) else "break;\n"
        raise NotImplementedError(ast.dump(node))

    def back(self, value: ast.expr | None) -> str:
        if value is None:
            return "return;\n"
        if isinstance(value, ast.Tuple):
            return f"return ({self.kernel.result}){{{', '.join(self.text(v) for v in value.elts)}}};\n"
        return f"return {self.text(value)};\n"

    def loop(self, node: ast.For) -> str:
        assert isinstance(node.target, ast.Name)
        name = f"{node.target.id}_"
        if isinstance(node.iter, ast.Call):
            given = [self.text(a) for a in node.iter.args]
            start, stop = ("0", given[0]) if len(given) == 1 else (given[0], given[1])
            down = len(given) == 3
            test, move = (f"{name} > {stop}", f"{name}--") if down else (f"{name} < {stop}", f"{name}++")
            return f"for ({name} = {start}; {test}; {move}) {{\n{self.block(node.body)}}}\n"
        text = ""
        for value in self.constant(node.iter):  # a tuple of the module: unrolled
            text += f"{name} = {value};\n{self.block(node.body)}"
        return text

    def assign(self, node: ast.Assign) -> str:
        target = node.targets[0]
        if len(node.targets) > 1:  # a = b = value
            value = self.text(node.value)
            return "".join(f"{self.text(one)} = {value};\n" for one in reversed(node.targets))
        if isinstance(target, ast.Subscript) and isinstance(target.slice, ast.Slice):
            name = ast.unparse(target.value)
            return f"for (long i_ = 0; i_ < {name}_.n; i_++) {name}_.d[i_] = {self.text(node.value)};\n"
        if not isinstance(target, ast.Tuple):
            return f"{self.text(target)} = {self.text(node.value)};\n"
        self.temporary += 1
        held = f"t{self.temporary}_"
        if isinstance(node.value, ast.Tuple):
            kinds = [self.kind(v) for v in node.value.elts]
            lines = [
                f"{ctype(kind)} {held}{k} = {self.text(v)};"
                for k, (kind, v) in enumerate(zip(kinds, node.value.elts, strict=True))
            ]
            lines += [f"{self.text(one)} = {held}{k};" for k, one in enumerate(target.elts)]
        else:
            called = self.called(node.value)
            assert called is not None
            lines = [f"{called.result} {held} = {self.text(node.value)};"]
            lines += [f"{self.text(one)} = {held}.r{k};" for k, one in enumerate(target.elts)]
        return "{ " + " ".join(lines) + " }\n"
