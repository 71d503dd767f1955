"""README.md says of every limit what the registry says of it."""

from __future__ import annotations

from pathlib import Path

from zones.limits.registry import LIMITS

README = Path(__file__).parent.parent / "README.md"


def limit_rows() -> list[str]:
    """The rows of README's table of limits; print them with ``python -m tests.test_readme``."""
    return [
        "| "
        + " | ".join([limit.title, limit.quantity or "–", limit.limit_from, limit.near_rule, limit.source])
        + " |"
        for limit in LIMITS
    ]


def test_readme_lists_every_limit_with_its_source() -> None:
    text = README.read_text()
    missing = [row for row in limit_rows() if row not in text]
    assert not missing, "run `python -m tests.test_readme` and put its rows into README.md"


def test_readme_lists_no_limit_that_is_gone() -> None:
    table = README.read_text().split("| limit | figure |")[1].split("\n\n")[0].splitlines()[2:]
    assert table == limit_rows()


if __name__ == "__main__":
    print("\n".join(limit_rows()))
