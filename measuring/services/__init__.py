"""
Everything this room writes, one function an action.

`visits` opens and closes a visit, `openings` knows what there is to cover, `readings` what was
found there, `sizes` what it comes to, `releases` hands it over, `range` keeps the firm's own data.
"""

from measuring.services.openings import (
    add_opening,
    add_room,
    change_opening,
    change_room,
    copy_opening,
    drop_opening,
    load_openings,
    make_group,
    mark_cannot,
    mark_not_reached,
    read_opening_list,
    reorder_openings,
    reorder_rooms,
    settle_fact,
    take_up_again,
    ungroup,
)
from measuring.services.range import save_measure_times, save_product, save_tape
from measuring.services.readings import (
    add_obstruction,
    add_photo,
    confirm_reading,
    keep_reading,
    record_reading,
    remove_obstruction,
    remove_photo,
    withdraw_reading,
)
from measuring.services.releases import (
    approve_sizes,
    cancel_unit,
    release_cautions,
    release_problems,
    release_to_workroom,
    withdraw_approval,
)
from measuring.services.sizes import (
    accept_size_change,
    refuse_size_change,
    set_options,
    set_options_of_opening,
    size_opening,
)
from measuring.services.visits import (
    close_visit,
    could_not_measure,
    open_ends,
    open_visit,
    openings_of,
    reopen_visit,
    short_of,
)

__all__ = [
    "accept_size_change",
    "add_obstruction",
    "add_opening",
    "add_photo",
    "add_room",
    "approve_sizes",
    "cancel_unit",
    "change_opening",
    "change_room",
    "close_visit",
    "confirm_reading",
    "copy_opening",
    "could_not_measure",
    "drop_opening",
    "keep_reading",
    "load_openings",
    "make_group",
    "mark_cannot",
    "mark_not_reached",
    "open_ends",
    "open_visit",
    "openings_of",
    "read_opening_list",
    "record_reading",
    "refuse_size_change",
    "release_cautions",
    "release_problems",
    "release_to_workroom",
    "remove_obstruction",
    "remove_photo",
    "reopen_visit",
    "reorder_openings",
    "reorder_rooms",
    "save_measure_times",
    "save_product",
    "save_tape",
    "set_options",
    "set_options_of_opening",
    "settle_fact",
    "short_of",
    "size_opening",
    "take_up_again",
    "ungroup",
    "withdraw_approval",
    "withdraw_reading",
]
