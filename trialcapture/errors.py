"""The one exception type a user can meet: it says what, the value seen, where, and what would be right."""

from trialcapture.safe_text import clean_text

_LONGEST_SHOWN = 2000


class TrialCaptureError(Exception):
    """A fault in use or input that stops the command.

    Bad *data* is never an exception (it is a counted reject or a flag); this is for bad *use*:
    a missing file, an unreadable column, a config that cannot be meant.

    Args:
        what: What could not be done, as a sentence without a full stop.
        seen: The offending value, shown as it was read.
        where: File, line, column or config key it was seen at.
        expected: What would be right, or what to do next.
    """

    def __init__(
        self, what: str, *, seen: object | None = None, where: str | None = None, expected: str | None = None
    ) -> None:
        super().__init__(what)
        self.what = what
        self.seen = seen
        self.where = where
        self.expected = expected

    def __str__(self) -> str:
        """Say it in one or two sentences."""
        parts = [clean_text(self.what)]
        if self.seen is not None:
            seen = repr(self.seen) if isinstance(self.seen, str | bytes) else clean_text(str(self.seen))
            parts.append(f"saw {seen if len(seen) <= _LONGEST_SHOWN else seen[:_LONGEST_SHOWN] + '…'}")
        if self.where is not None:
            parts.append(f"at {clean_text(self.where)}")
        text = ", ".join(parts) + "."
        if self.expected is not None:
            text += f" {self.expected[0].upper()}{clean_text(self.expected[1:])}"
            text += "" if text.endswith((".", "!", "?")) else "."
        return text


class ConfigError(TrialCaptureError):
    """A configuration file with one or more faults, all of them listed.

    Args:
        where: The file.
        faults: One line per fault: key path, value seen, what is allowed.
    """

    def __init__(self, where: str, faults: list[str]) -> None:
        count = f"{len(faults)} fault" + ("s" if len(faults) != 1 else "")
        super().__init__(f"the configuration has {count}", where=where)
        self.faults = faults

    def __str__(self) -> str:
        """Say how many faults there are, then each on its line."""
        lines = [super().__str__(), *(f"  - {fault}" for fault in self.faults)]
        if any("[" in fault.partition(":")[0] for fault in self.faults):
            lines.append("  Tables and lists are counted from 0: engine[0] is the first [[engine]].")
        return "\n".join(lines)
