"""Everything that can go wrong through the user's inputs, as one tree under AllocatorError."""


class AllocatorError(Exception):
    """A fault in inputs or settings that the user can mend; says which, what was found, what to do.

    Parameters
    ----------
    message : str
        One message, or the first of several.
    *more : str
        Further messages, each about one problem.
    """

    def __init__(self, message: str, *more: str) -> None:
        super().__init__(message, *more)

    @property
    def messages(self) -> tuple[str, ...]:
        """Every problem, in the order found."""
        return tuple(str(part) for part in self.args)

    def __str__(self) -> str:
        return "\n".join(self.messages)


class SettingsError(AllocatorError):
    """The study file or a --set value cannot be used."""


class InputError(AllocatorError):
    """An input file cannot be used."""


class CrsError(InputError):
    """An input has no coordinate system, or one that cannot be right."""


class GeometryError(InputError):
    """An input has shapes of the wrong kind, or none."""


class MissingColumnError(InputError):
    """An input lacks a column that the study file names."""


class SitesInfeasibleError(AllocatorError):
    """The field decisions to keep cannot all hold at once."""


class OutputError(AllocatorError):
    """The plan cannot be written where the user asked."""
