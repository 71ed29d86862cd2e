"""What options take: amounts with units, lengths of time and moments, as ``quantities`` reads them."""

import time
from typing import Any

import click

from gcodetool import moments, quantities
from gcodetool.quantities import NotUnderstoodError

# generic in newer releases only
Base: Any = click.ParamType


class Amount(click.FloatRange):
    """A number of a range, with a unit of its kind or in the kind's own; click's bounds are in that one."""

    def __init__(
        self,
        kind: quantities.Kind = quantities.NUMBER,
        least: float | None = None,
        most: float | None = None,
        *,
        above: float | None = None,
        bare_from: float = 0.0,
    ) -> None:
        """Take numbers from *least* to *most*, or more than *above*; a lesser one than *bare_from* needs its unit."""
        low = least if above is None else above
        super().__init__(low, most, min_open=above is not None)
        self.kind, self.bare_from = kind, bare_from

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number in the unit of the kind."""
        try:
            number = (
                quantities.amount(value, self.kind, bare_from=self.bare_from)
                if isinstance(value, str)
                else value
            )
        except NotUnderstoodError as error:
            raise click.BadParameter(str(error), ctx, param) from None
        return float(super().convert(number, param, ctx))

    def _describe_range(self) -> str:
        """Return the range in words that help and messages show; none where every number is taken."""
        return "" if self.min is None and self.max is None else super()._describe_range()


class MomentType(Base):  # type: ignore[misc]
    """A moment; without a zone it is local time. Seconds since 1970 UTC."""

    name = "time"

    def __init__(self, tense: moments.Tense | None = None) -> None:
        self.tense = tense

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the moment in seconds."""
        if isinstance(value, float):
            return value
        try:
            found = moments.moment(str(value), now_s=time.time(), tense=self.tense)
        except NotUnderstoodError as error:
            raise click.BadParameter(str(error), ctx, param) from None
        if found.note is not None:
            click.echo(f"gcodetool: note: {found.note}", err=True)
        return found.at_s


class SpanType(Base):  # type: ignore[misc]
    """A length of time: 2h, 90min, 1d 4h. Seconds."""

    name = "span"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the seconds."""
        if isinstance(value, float):
            return value
        try:
            return quantities.span(str(value))
        except NotUnderstoodError as error:
            raise click.BadParameter(str(error), ctx, param) from None
