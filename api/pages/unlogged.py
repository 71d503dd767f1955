"""What a page shows once, and no log may hold."""


class Unlogged(str):
    """A secret within the context of a template, which Django's log of a variable that is not there writes
    out."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "a secret"
