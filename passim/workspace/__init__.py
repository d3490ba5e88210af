"""The folder a user works in: sites, terminal, gateways and fleets, as one commented file `passim.toml`.

settings    what the file may say, section by section
lines       on which line a key stands
checking    from text to settings, all errors at once
kept_files  small files beside it, written whole, read whole or refused
saving      changing the file: comments kept, whole or not at all
creating    the text of a new file, with a plain word beside each setting
demo        the invented scenario, a workspace file like any other
plover      its fleet, made afresh for each day; invented_record, seven days of what its line did
folder      `Workspace`: finding it, and what it gives to the rest of passim
places      sites, mounting spots and gateways added to the file
changing    each part of the file given other settings, renamed or removed; shown first, then written
horizons    a surveyed horizon kept as that of a mounting spot
feeds       which fleets have a feed, when it is due, and bringing them up to date
older_elements  elements of the same satellites from days before, in other fleets or files, for a hindcast
timing      which timing errors hold for a fleet, and what was learned of them from its snapshots
calendar_address  the key by which a calendar program reads the suggested calls
learned_line  what a record has taught about the line, kept for the odds of calls and now
removed_records  records taken out of the journal, set aside and brought back
last_answers  kept beside the file, so that the next run can say what has changed
"""

from __future__ import annotations

from passim.elements.feeds.history import History, Missing
from passim.elements.feeds.snapshots import Origin
from passim.elements.feeds.sources import Address, Folder
from passim.elements.feeds.update import Update
from passim.workspace.checking import zone_at
from passim.workspace.creating import begin, check_folder, create, new_site
from passim.workspace.feeds import (
    FeedState,
    feed_state,
    fleets_with_feeds,
    learn_fleet_timing,
    learning_is_due,
    snapshots_to_score,
    update_fleet,
    update_in_dashboard,
    where_from,
)
from passim.workspace.folder import FILE_NAME, Workspace
from passim.workspace.invented_record import INVENTED_RECORD
from passim.workspace.last_answers import keep_answer, last_answer
from passim.workspace.learned_line import (
    LEARNED_NAME,
    LineLesson,
    is_the_line,
    keep_learned,
    lesson_of,
    read_learned,
)
from passim.workspace.older_elements import OlderElements, older_elements
from passim.workspace.places import add_gateway, add_site, add_spot, keep_horizon_as, site_and_spot
from passim.workspace.removed_records import bring_back, remove_record, removed_records
from passim.workspace.settings import Assumption, SiteSettings, check_name
from passim.workspace.timing import Timing

__all__ = [
    "FILE_NAME",
    "INVENTED_RECORD",
    "LEARNED_NAME",
    "Address",
    "Assumption",
    "FeedState",
    "Folder",
    "History",
    "LineLesson",
    "Missing",
    "OlderElements",
    "Origin",
    "SiteSettings",
    "Timing",
    "Update",
    "Workspace",
    "add_gateway",
    "add_site",
    "add_spot",
    "begin",
    "bring_back",
    "check_folder",
    "check_name",
    "create",
    "feed_state",
    "fleets_with_feeds",
    "is_the_line",
    "keep_answer",
    "keep_horizon_as",
    "keep_learned",
    "last_answer",
    "learn_fleet_timing",
    "learning_is_due",
    "lesson_of",
    "new_site",
    "older_elements",
    "read_learned",
    "remove_record",
    "removed_records",
    "site_and_spot",
    "snapshots_to_score",
    "update_fleet",
    "update_in_dashboard",
    "where_from",
    "zone_at",
]
