"""Sites: the sites and spots of the workspace side by side."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from ...figures.sites import side_by_side
from ...figures.theme import Theme
from ...wording import duration, share
from ..answering import Answer, Help, Page, Panel, Shown, Table
from ..choosing import day_words
from ..desk import Question
from ..telling import common_notes

SIDE = Panel(
    "side",
    "Sites side by side",
    Help(
        "How much of the day chosen each site and spot is without service; the one chosen above in bold.",
        "Each place is asked the same question about the same fleet and its own local day: all passes above its own "
        "mask and within its own limits. Where a mask is chosen below, it stands in for every place's own horizon.",
        "The element sets of the fleet chosen, and the sites, spots and gateways of the workspace.",
    ),
)


def answer(question: Question, theme: Theme) -> Answer:
    """Say which place is best served."""
    span = question.days(1)
    workspace = question.workspace
    places = [(site, spot) for site in workspace.site_names for spot in workspace.spot_names(site)]
    rows, titles = [], []
    for site, spot in places:
        view = question.with_mask(workspace.view(site, spot))
        seen = question.seen(span, view)
        titles.append(view.title)
        rows.append(
            {"site": site, "spot": spot, **seen.coverage.summary(), "gaps_per_hour": seen.coverage.gaps_per_hour()}
        )
    table = pd.DataFrame(rows)
    order = table["covered_fraction"].sort_values(ascending=False, kind="stable").index.tolist()
    table = table.loc[order].reset_index(drop=True)
    titles = [titles[k] for k in order]
    here = next(
        k for k, row in enumerate(table.itertuples()) if (row.site, row.spot) == (question.site_name, question.spot)
    )

    def cells(row: Any) -> list[str]:
        return [
            row.site,
            row.spot,
            share(1.0 - row.covered_fraction),
            f"{row.gaps_per_hour:.1f}",
            "–" if row.gap_mean_s is None or row.gap_mean_s != row.gap_mean_s else duration(row.gap_mean_s),
            duration(row.gap_longest_s),
            share(row.twofold_fraction),
            f"{row.in_view_mean:.1f}",
        ]

    out = [1.0 - fraction for fraction in table["covered_fraction"]]
    headings = ("Site", "Spot", ">Out", ">Gaps an hour", ">Mean gap", ">Longest", ">Two or more", ">Mean in view")
    day = day_words(question.day, question.today)
    return Answer(
        _sentence(titles, out, here, day),
        {
            "side": Shown(
                side_by_side(titles, out, here, theme),
                f"Shares of {day} without service, best place on top. A spare satellite in view ('two or more') is "
                f"what "
                "keeps one obstacle or one failed satellite from being felt.",
                Table(table, headings, cells),
            )
        },
        common_notes(question, span),
    )


def _sentence(titles: list[str], out: list[float], here: int, day: str) -> str:
    if len(titles) == 1:
        return f"{titles[0]} is without service for {share(out[0])} of {day}; there is no other site to compare."
    best = f"Best served on {day}: {titles[0]}, out {share(out[0])} of the time"
    if here == 0:
        return f"{best}; {titles[1]} is next with {share(out[1])}."
    return f"{best}; {titles[here]}, your choice, is out {share(out[here])}."


PAGE: Final = Page(
    path="/sites",
    name="Sites",
    asks="Is another site or spot better?",
    panels=(SIDE,),
    answer=answer,
)
