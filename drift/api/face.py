"""This module is what `import drift` offers a script or a notebook, and what the commands call."""

from datetime import date
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from drift.api.found import MeterOfReview, Record
from drift.api.frames import Frames
from drift.api.given import Choices, Day, Source, day_given, policy_given, read_given
from drift.api.repeatability import Study, study
from drift.api.reviews import earlier_review, write_found
from drift.errors import DriftError
from drift.forecast.proof import Proof
from drift.ids import named_id, nearest_ids
from drift.limits.runs.detectability import Detectability
from drift.report.data_files import data_tables, plain_columns
from drift.report.exchange import place_for
from drift.report.own_files import REVIEW_FOLDER
from drift.report.pages.short import short_page
from drift.report.render import html_short
from drift.report.review_record import kept_pages
from drift.report.write import timed
from drift.review import results
from drift.review.analyse import analyse
from drift.review.evidence import study_detectability, study_proof
from drift.review.forecasts import jumps_known
from drift.review.headline import headline
from drift.review.policy import Policy
from drift.review.sourced import ledger_of
from drift.store.tables import Sources
from drift.visible import visible

if TYPE_CHECKING:
    from drift.report.figures.theme import Chart

__all__ = ["DriftError", "Policy", "Record", "Review", "Study"]
__all__ += ["detectability", "proof", "read", "review", "study"]


class Review(Frames):
    """What `drift.review` found: a polars frame for each data file, by the file's name.

    The frames hold what the files hold: numbers of six significant digits, null where something is
    not known, columns and units as the README's list of data files gives them.  They are made
    when one is first asked for.

    Attributes
    ----------
    as_of : date
        The date it speaks for.
    policy : Policy
        The laboratory's choices in force.

    Examples
    --------
    >>> import drift
    >>> r = drift.review("sample_history", as_of="2026-10-01")
    >>> r.meters.filter(r.meters["standing"] == "drifting")["meter_id"].to_list()
    ['AM-06', 'AM-07']
    >>> r.held_back.columns
    ['file', 'line', 'column', 'reason']
    """

    def __init__(self, found: results.Review, timings: dict[str, float]) -> None:
        super().__init__(lambda: data_tables(found))
        self.as_of = found.as_of
        self.policy = found.policy
        self._found = found
        self._timings = timings

    @property
    def headline(self) -> str:
        """What the review asks for first, in the words of the terminal.

        Examples
        --------
        >>> import drift
        >>> print(drift.review("sample_history", as_of="2026-10-01").headline)
        Do not use AM-12 and AM-18 (overdue). See AM-04 now.
        """
        return visible(headline(self._found.obligations, as_of=self.as_of))

    def meter(self, meter_id: str) -> MeterOfReview:
        """Return the same frames for one meter.

        Parameters
        ----------
        meter_id : str
            As the source writes it.

        Returns
        -------
        MeterOfReview
            Frames of the same names and columns.  Those with a column ``meter_id`` hold this
            meter's rows alone; the others (`reference`, `vessels`, `evidence` and the like) speak
            of the fleet and stay whole.

        Raises
        ------
        DriftError
            If there is no such meter; it names the nearest.

        Examples
        --------
        >>> import drift
        >>> drift.review("sample_history", as_of="2026-10-01").meter("AM-06")
        <meter AM-06: drifting>
        """
        meter_id = self._named(meter_id)
        # As data files spell it.
        spelled = plain_columns(pl.DataFrame({"meter_id": [meter_id]})).item()
        return MeterOfReview(spelled, self.frames, draw=lambda name: self.chart(name, meter_id))

    def _named(self, meter_id: str) -> str:
        """Return the meter that an id or its beginning names; raise where there is none."""
        known = self._found.meters["meter_id"]
        named = named_id(str(meter_id), known)
        if named not in set(known):
            near = nearest_ids(str(meter_id), known, most=1)
            raise DriftError(
                what="is no meter of this review",
                where=str(meter_id),
                expected=f"one of its {known.len()} meters",
                hint=f"did you mean {near[0]!r}?" if near else "",
            )
        return named

    @property
    def charts(self) -> dict[str, str]:
        """What each chart of the review shows, by its name.

        Examples
        --------
        >>> import drift
        >>> drift.review("sample_history", as_of="2026-10-01").charts["doubtful_span"]
        'bias and chance that a meter was out, day by day, with the field tests it made'
        """
        from drift.report.review_charts import charts_of  # noqa: PLC0415

        return charts_of(self._found)

    def chart(self, name: str, meter: str | None = None, *, about: str | None = None) -> "Chart":
        """Return a chart that pages show, with its data, as a notebook draws it.

        Parameters
        ----------
        name : str
            One of `charts`.
        meter : str or None
            The meter, where the chart is of one.
        about : str or None
            Which of several charts of that name: a fault in words of ``meter_cause``, a chart such
            as ``ewma`` of ``meter_control``; the first where none is named.

        Returns
        -------
        altair.Chart or one of its kin
            With hues and configuration of its own; the theme of the notebook is left alone.

        Raises
        ------
        DriftError
            If there is no such chart or meter, or nothing to draw.

        Examples
        --------
        >>> import drift
        >>> chart = drift.review("sample_history", as_of="2026-10-01").chart("noticed_drifts")
        >>> sorted({row["monitor"] for row in chart.datasets["drifts"]})
        ['CUSUM', 'EWMA', 'beyond limits', 'tolerance check']
        """
        # Drawing is slow to load.
        from drift.report.review_charts import chart_of  # noqa: PLC0415

        if meter is not None:
            meter = self._named(meter)
        return chart_of(self._found, name, meter_id=meter, about=about)

    def write(self, folder: str | PathLike[str], *, pages: bool = True) -> Path:
        """Write what ``drift review --out`` writes, all in this process.

        Parameters
        ----------
        folder : str or path
            Made where it does not exist.  What drift wrote there before is exchanged; a folder
            that holds anything else is refused.
        pages : bool
            Whether to write pages and the workbook too, about 0.1 s a meter; without, pages of
            the same review that are there stay.

        Returns
        -------
        Path
            The fleet page, or the folder of data files where no pages were asked for.

        Raises
        ------
        DriftError
            If the folder is not drift's to write into, or cannot be written.

        Examples
        --------
        >>> import tempfile, drift
        >>> r = drift.review("sample_history", as_of="2026-10-01")
        >>> r.write(tempfile.mkdtemp(), pages=False).name
        'data'
        """
        found = self._found
        place = place_for(Path(folder), REVIEW_FOLDER)
        kept = {}
        if not pages:
            then = found.since.earlier_as_of if found.since else None
            kept = kept_pages(
                place, found.sources, as_of=self.as_of, policy=self.policy, previous=then
            )
        write_found(
            found, place, kept=kept, beside=() if pages else None, timings=dict(self._timings)
        )
        return Path(folder) / ("index.html" if pages else "data")

    def __repr__(self) -> str:
        """Return the source, the date and the headline in two lines."""
        meters = f"{self._found.meters.height} meters"
        return f"<review of {self._found.source_name} on {self.as_of}, {meters}>\n{self.headline}"

    def _repr_html_(self) -> str:
        """Return the headline and the obligations, as a notebook shows them."""
        return html_short(short_page(self._found))


def review(
    source: Source,
    *,
    as_of: Day = None,
    policy: Choices = None,
    previous: str | PathLike[str] | None = None,
) -> Review:
    """Review a source as ``drift review`` does, without writing anything.

    Parameters
    ----------
    source : str, path or mapping of str to pl.DataFrame
        A folder of CSV files, a store file, or frames by name of input table.  Frames are held to
        the same rules as files, rows held back included; ``readings`` is needed.
    as_of : date or str or None
        The date it speaks for, ISO 8601 where text; later rows are not seen.  None for today.
    policy : Policy, str, path or None
        The laboratory's choices, or the TOML file that holds them; None for the defaults.
    previous : str, path or None
        Folder that an earlier review was written into, for the frame `since`.

    Raises
    ------
    DriftError
        If the source, the date, the policy or `previous` cannot be used.

    Examples
    --------
    >>> import drift
    >>> drift.review("sample_history", as_of="2026-10-01")
    <review of sample_history on 2026-10-01, 24 meters>
    Do not use AM-12 and AM-18 (overdue). See AM-04 now.
    """
    day, choices, timings = day_given(as_of), policy_given(policy), dict[str, float]()
    with timed(timings, "read"):
        sources, name = read_given(source, as_of=day, policy=choices)
        before = None if previous is None else Path(previous)
        earlier = earlier_review(before, sources, source_name=name, as_of=day)
    with timed(timings, "analyse"):
        found = analyse(sources, source_name=name, as_of=day, policy=choices, earlier=earlier)
        return Review(found, timings)


def read(source: Source, *, as_of: Day = None, policy: Choices = None) -> Record:
    """Read a source without a review: what was taken, and what was held back.

    Parameters
    ----------
    source, as_of, policy
        As of `drift.review`; of the policy the points and the resolution count.

    Raises
    ------
    DriftError
        If one of them cannot be used, or there is no usable reading.

    Examples
    --------
    >>> import polars, drift
    >>> readings = polars.DataFrame(
    ...     {
    ...         "meter_id": ["AM-1", "AM-1"],
    ...         "performed_on": ["2026-01-05", "2026-13-05"],
    ...         "stage": "as_found",
    ...         "correct_air_pct": 5.0,
    ...         "reading_air_pct": 5.1,
    ...     }
    ... )
    >>> record = drift.read({"readings": readings}, as_of="2026-02-01")
    >>> record
    <record of frames on 2026-02-01: 1 sittings, 1 held back>
    >>> record.ledger["as_found_bias_pct"].to_list()
    [0.1]
    """
    day = day_given(as_of)
    sources, name, ledger = _ledger(source, as_of=day, policy=policy_given(policy))
    tables = {
        "readings": sources.sessions,
        "marks": sources.marks,
        "meters": sources.meters,
        "vessels": sources.vessels,
        "service": sources.service,
        "responses": sources.responses,
        "field_tests": sources.field_tests,
        "bowls": sources.bowls,
        "equipment": sources.equipment,
        "people": sources.people,
        "checks": sources.checks,
        "studies": sources.studies,
        "comparisons": sources.comparisons,
        "decisions": sources.decisions,
        "files": sources.files,
        "amendments": sources.amendments,
    }
    return Record(
        as_of=day, source_name=name, ledger=ledger, tables=tables, held_back=sources.held_back
    )


def proof(source: Source, *, as_of: Day = None, policy: Choices = None) -> Proof:
    """Judge the forecaster on the history of a source, as ``drift proof`` does.

    Parameters
    ----------
    source, as_of, policy
        As of `drift.review`.

    Returns
    -------
    Proof
        Frames ``outcomes``, ``reliability`` and ``scores`` (probabilities from 0 to 1, means in
        % air), and the coverage of the bands with its 95 % interval.

    Raises
    ------
    DriftError
        If one of them cannot be used.

    Examples
    --------
    >>> import drift
    >>> drift.proof("sample_history", as_of="2022-01-01").band_level
    0.9
    """
    choices = policy_given(policy)
    sources, _, ledger = _ledger(source, as_of=day_given(as_of), policy=choices)
    return study_proof(jumps_known(ledger, sources), choices)


def detectability(policy: Choices = None) -> Detectability:
    """Compute what the charts of a policy can and cannot see, as ``drift detectability`` does.

    Parameters
    ----------
    policy : Policy, str, path or None
        As of `drift.review`.

    Returns
    -------
    Detectability
        Frames ``false_alarms``, ``shifts`` and ``drifts``: times in visits and in years, shifts
        in % air, drifts in % air a year.

    Raises
    ------
    DriftError
        If the policy cannot be used.

    Examples
    --------
    >>> import drift
    >>> drift.detectability(drift.Policy(charts=("individuals",))).false_alarms["monitor"][0]
    'tolerance_check'
    """
    return study_detectability(policy_given(policy))


def _ledger(source: Source, *, as_of: date, policy: Policy) -> tuple[Sources, str, pl.DataFrame]:
    """Return what was read of a source, its name and its ledger."""
    sources, name = read_given(source, as_of=as_of, policy=policy)
    return sources, name, ledger_of(sources, source_name=name, as_of=as_of, policy=policy)
