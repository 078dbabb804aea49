"""Print the lines of code under a folder: lines with a token that is no comment and no docstring.

python tools/count_code.py src
"""

import ast
import io
import sys
import tokenize
from pathlib import Path

SKIPPED = {
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENDMARKER,
}
"""Kinds of token that are layout or comment."""


def docstring_lines(tree: ast.AST) -> set[int]:
    """Return the numbers of the lines that docstrings cover."""
    lines: set[int] = set()
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Expr)
            and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str)
        ):
            lines.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return lines


def code_lines(source: str) -> int:
    """Return how many lines of a Python source hold code."""
    covered: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in SKIPPED:
            covered.update(range(token.start[0], token.end[0] + 1))
    return len(covered - docstring_lines(ast.parse(source)))


def main(folder: str) -> None:
    """Print a line for each package below ``folder`` and the sum."""
    root = Path(folder)
    counts: dict[str, int] = {}
    for path in sorted(root.rglob("*.py")):
        package = "/".join(path.relative_to(root).parts[:2])
        counts[package] = counts.get(package, 0) + code_lines(path.read_text(encoding="utf-8"))
    for package, count in counts.items():
        sys.stdout.write(f"{count:7,}  {package}\n")
    sys.stdout.write(f"{sum(counts.values()):7,}  in all\n")


if __name__ == "__main__":
    main(sys.argv[1])
