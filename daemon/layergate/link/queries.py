"""Questions for temperatures (M105) under way: their answers show by their form which line they acknowledge.

Some printers put temperatures on every acknowledgement; then they show nothing. That is learned here, from answers that
come though nobody asked. Pure bookkeeping by line numbers; knows no time and no states.
"""

SURE = 3
SHARE = 0.25
"""More unasked answers than SURE + SHARE of those asked for, and temperatures on an acknowledgement mean nothing. Doubled
answers are unasked too, but at 1 % of bytes damaged fewer than one in ten comes twice."""


class Queries:
    """What was asked of one printer, and whether its answers can be told from other acknowledgements."""

    def __init__(self, slack_lines: int) -> None:
        """Take how many lines behind the last acknowledged one an answer may still be due."""
        self._slack_lines = slack_lines
        self._due: list[int] = []
        self._asked = self._unasked = 0

    @property
    def tell_nothing(self) -> bool:
        """Temperatures stand on acknowledgements of all kinds."""
        return self._unasked > SURE + SHARE * self._asked

    def sent(self, number: int, acked: int) -> None:
        """Note that a question went out, perhaps once more; those before it that are acknowledged are done with."""
        self._due = [query for query in self._due if acked < query != number]
        self._due.append(number)

    def is_due_after(self, acked: int) -> bool:
        """Tell whether an answer is still to come to a question behind this line."""
        return bool(self._due) and self._due[-1] > acked

    def accepted(self, number: int) -> None:
        """Note that lines up to a number are known to be accepted."""
        self._due = [query for query in self._due if query > number]

    def unasked(self) -> None:
        """Note temperatures on the acknowledgement of something else."""
        self._unasked += 1

    def clear(self) -> None:
        """Expect no answer any more."""
        self._due.clear()

    def answered(self, acked: int) -> int | None:
        """Take an acknowledgement with temperatures: give the question that it answers, None where none is due."""
        self._due = [query for query in self._due if query > acked - self._slack_lines]
        if not self._due:
            self._unasked += 1
            return None
        query = self._due[0]
        self._asked += query == acked + 1  # one that skips lines may be theirs
        if self.tell_nothing:
            return None
        del self._due[0]
        return query
