"""Write the interface reference from the docstrings: one page for each package.

python tools/reference.py src/shimwise build/docs
"""

import ast
import sys
from collections import defaultdict
from pathlib import Path

Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def public_definitions(tree: ast.Module) -> list[Definition]:
    """Return the public functions and classes of a module, in their order."""
    return [
        node
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
    ]


def heading(node: Definition) -> str:
    """Return the line that declares a function or a class, without its body."""
    if isinstance(node, ast.ClassDef):
        bases = ", ".join(ast.unparse(base) for base in node.bases)
        return f"class {node.name}({bases})" if bases else f"class {node.name}"
    returns = f" -> {ast.unparse(node.returns)}" if node.returns else ""
    return f"{node.name}({ast.unparse(node.args)}){returns}"


def entry(node: Definition, level: int = 3) -> list[str]:
    """Return the lines of a definition; the public methods of a class follow it."""
    lines = [f"{'#' * level} `{node.name}`", "", "```python", heading(node), "```", ""]
    if text := ast.get_docstring(node):
        lines += ["```text", text, "```", ""]
    if isinstance(node, ast.ClassDef):
        inner = ast.Module(body=node.body, type_ignores=[])
        for method in public_definitions(inner):
            lines += entry(method, level + 1)
    return lines


def page(package: str, modules: list[Path], root: Path) -> str:
    """Return the page of a package: its modules, with their public definitions."""
    lines = [f"# {package}", ""]
    for path in modules:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        dotted = ".".join(path.relative_to(root.parent).with_suffix("").parts).removesuffix(".__init__")
        lines += [f"## {dotted}", "", ast.get_docstring(tree) or "", ""]
        for node in public_definitions(tree):
            lines += entry(node)
    return "\n".join(lines)


def main(source: str, target: str) -> None:
    """Write the pages of every package below ``source`` and an index into ``target``."""
    root, folder = Path(source), Path(target)
    folder.mkdir(parents=True, exist_ok=True)
    packages: dict[str, list[Path]] = defaultdict(list)
    for path in sorted(root.rglob("*.py")):
        if "versions" not in path.parts:
            packages[".".join(path.parent.relative_to(root.parent).parts)].append(path)
    index = ["# Reference", ""]
    for package, modules in packages.items():
        (folder / f"{package}.md").write_text(page(package, modules, root), encoding="utf-8")
        summary = (ast.get_docstring(ast.parse(modules[0].read_text(encoding="utf-8"))) or "").split("\n")[0]
        index.append(f"- [{package}]({package}.md): {summary}")
    (folder / "index.md").write_text("\n".join(index) + "\n", encoding="utf-8")
    sys.stdout.write(f"{len(packages)} pages in {folder}\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
