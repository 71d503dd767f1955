"""Cable trees solved by ngspice, a general-purpose circuit simulator (Debian package `ngspice`).

`python -m tests.reference.ngspice` solves the random trees again and rewrites their recorded answers.

ngspice exits 0 on wrong and on unconverged answers to constant-power loads. So every node has a `.nodeset` at
the source's voltage, and a load stops growing below 0.4 of it; a node under that means "no solution". A
solution whose voltages all lie above is one of the network itself, as the clamp does not bear on it.
"""

import json
import re
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.reference.random_trees import Tree, random_trees

CLAMP = 0.4
RECORDED = Path(__file__).parent / "recorded" / "ngspice_random_trees.jsonl"

_OPTIONS = ".options reltol=1e-9 abstol=1e-12 vntol=1e-9 gmin=1e-15 itl1=500"


def node_names(tree: Tree) -> list[str]:
    """The node of each point. Points joined by a segment of no length are one node: ngspice would replace its
    resistance by one of its own."""
    names: list[str] = []
    for point, (parent, resistance) in enumerate(zip(tree.parent, tree.segment_resistance_ohm, strict=True)):
        above = names[parent] if parent >= 0 else _terminal(tree)
        names.append(f"p{point}" if resistance else above)
    return names


def _terminal(tree: Tree) -> str:
    return "t" if tree.source_resistance_ohm else "s"


def netlist(tree: Tree, title: str) -> str:
    """A tree as a circuit."""
    vs = tree.source_voltage_v
    lines = [f"* {title}", f"Vsource s 0 {vs!r}"]
    if tree.source_resistance_ohm:
        lines += [f"Rinternal s t {tree.source_resistance_ohm!r}", f".nodeset v(t)={vs!r}"]
    names = node_names(tree)
    for point, (parent, node) in enumerate(zip(tree.parent, names, strict=True)):
        above = names[parent] if parent >= 0 else _terminal(tree)
        if node != above:
            lines += [
                f"R{point} {above} {node} {tree.segment_resistance_ohm[point]!r}",
                f".nodeset v({node})={vs!r}",
            ]
        if tree.current_a[point] or tree.power_w[point]:
            clamped = f"max(v({node}),{CLAMP * vs!r})"
            lines.append(f"B{point} {node} 0 I={tree.current_a[point]!r}+{tree.power_w[point]!r}/{clamped}")
        if tree.conductance_s[point]:
            lines.append(f"Rload{point} {node} 0 {1 / tree.conductance_s[point]!r}")
    return "\n".join([*lines, _OPTIONS, ".end", ""])


def solve(program: str, trees: list[Tree]) -> list[list[float] | None]:
    """The voltages of the points of each tree, all in one process; None where ngspice gives up."""
    with TemporaryDirectory() as folder:
        control = ["* all trees", ".control", "set numdgt=12", "set noaskquit"]
        for number, tree in enumerate(trees):
            path = Path(folder) / f"tree{number}.cir"
            path.write_text(netlist(tree, f"tree {number}"))
            nodes = " ".join(f"v({name})" for name in sorted(set(node_names(tree))))
            control += [
                f"source {path}",
                f"echo @ {number}",
                "op",
                f"print {nodes}",
                "destroy all",
                "remcirc",
            ]
        script = Path(folder) / "all.cir"
        script.write_text("\n".join([*control, "quit", ".endc", ".end", ""]))
        done = subprocess.run(
            [program, "-b", str(script)], capture_output=True, text=True, timeout=300, check=False
        )
    blocks = re.split(r"^@ (\d+)$", done.stdout, flags=re.MULTILINE)
    answers: list[list[float] | None] = [None] * len(trees)
    for marker, block in zip(blocks[1::2], blocks[2::2], strict=True):
        number = int(marker)
        found = dict(re.findall(r"^v\((\w+)\) = (\S+)$", block, flags=re.MULTILINE))
        names = node_names(trees[number])
        if found.keys() == set(names):
            answers[number] = [float(found[name]) for name in names]
    return answers


def carried(tree: Tree, voltages: list[float]) -> bool:
    """Whether the answer is one of the network itself."""
    return min(voltages) >= CLAMP * tree.source_voltage_v


def record(program: str = "ngspice") -> None:
    """Solve the random trees and keep the answers: the voltages, or that there is no solution."""
    trees = random_trees()
    lines = []
    for number, (tree, voltages) in enumerate(zip(trees, solve(program, trees), strict=True)):
        if voltages is None:
            raise RuntimeError(f"ngspice gave up on tree {number}: nothing is recorded")
        rounded = [float(f"{voltage:.9g}") for voltage in voltages]
        kept = {"tree": number, "answer": rounded if carried(tree, voltages) else "no solution"}
        lines.append(json.dumps(kept, separators=(",", ":")))
    RECORDED.parent.mkdir(exist_ok=True)
    RECORDED.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    record()
