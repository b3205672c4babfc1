"""The SCRIBE 2016 checklist with the place of each item, or that the author has to write it."""

from __future__ import annotations

from rungwise.study.preanalysis import TO_WRITE

SOURCE = (
    "Items after SCRIBE 2016 (Tate et al. 2016, Archives of Scientific Psychology 4:1–9). Topics 1 to 12 "
    "follow a published table; the wording of 13 to 26 is from memory. Use the statement's own text when "
    "submitting."
)

# Topic of each item, and the heading of the report that holds it ("" where the author writes it).
ITEMS: tuple[tuple[str, str], ...] = (
    ("Title names the design", "Title"),
    ("Structured abstract", ""),
    ("Scientific background", ""),
    ("Aims", "Question"),
    ("Design, phases and rules for their change", "Design"),
    ("Changes to procedure after the start", "Departures from the plan"),
    ("Replication as planned", "Design"),
    ("Randomization", "Randomization"),
    ("Blinding", "Masking"),
    ("Selection criteria", ""),
    ("Participants, without identifying them", "Participants and probes"),
    ("Setting", ""),
    ("Ethics approval and consent", ""),
    ("Measures, their reliability and how often taken", "Measures"),
    ("Equipment", ""),
    ("Intervention and control condition in each phase", ""),
    ("Procedural fidelity", "Procedural fidelity"),
    ("Planned analyses", "Analysis"),
    ("Sequence completed by each participant", "Sequence completed"),
    ("Results with raw data of each participant", "Raw data"),
    ("Adverse events", "Adverse events"),
    ("Interpretation", ""),
    ("Limitations", "What the design cannot support"),
    ("Applicability", ""),
    ("Access to the protocol", "Reproducibility"),
    ("Funding and conflicts of interest", ""),
)


def checklist(written: set[str]) -> list[dict[str, str]]:
    """Give the checklist, with the place of each item in a report that has these headings.

    Examples
    --------
    >>> rows = checklist({"Raw data"})
    >>> len(rows), rows[19]["Place"], rows[20]["Place"]
    (26, 'Section "Raw data"', 'To be written by the author.')
    """
    entries = []
    for number, (topic, place) in enumerate(ITEMS, start=1):
        found = f'Section "{place}"' if place in written else TO_WRITE
        if place == "Title":
            found = "Title"
        entries.append({"Item": str(number), "Topic": topic, "Place": found})
    return entries
