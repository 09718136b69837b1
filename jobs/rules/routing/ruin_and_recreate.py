"""
Ruin and recreate: the compiled heart of the search.

Strings of neighbouring stops are torn out of a few routes and put back greedily, with a
few places overlooked at random; a worse plan is kept with a probability that shrinks as
the search cools [1]_. Windows, lunch, skills, locks, load and overtime hold at every step.

Plain loops over tables, compiled by numba. The tables are structured arrays, passed one
by one: numba counts references to arrays it takes out of tuples, and that is dear.

References
----------
.. [1] J. Christiaens, G. Vanden Berghe (2020). Slack Induction by String Removals for
       Vehicle Routing Problems. Transportation Science 54(2): 417-433.
       https://doi.org/10.1287/trsc.2019.0914
.. [2] J.-Y. Potvin, J.-M. Rousseau (1995). An Exchange Heuristic for Routeing Problems with Time
       Windows. Journal of the Operational Research Society 46(12): 1433-1446.
       https://doi.org/10.1057/jors.1995.204
"""

# Annotations are left to the callers here: every argument is an array or an int.
# mypy: allow-untyped-defs, allow-incomplete-defs

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from jobs.rules.routing.arrays import Arrays
from jobs.rules.routing.compiled import compiled, inlined

FAR = 1 << 30
LONG_AGO = -(1 << 30)
DEAR = 1 << 60
SPLIT = 0.5  # how often a string keeps a middle part in place
DEEPER = 0.01  # how often that part grows by one
OVERLOOK = 0.01  # how often a place is overlooked
TAILS = 20  # so many near stops are tried as the beginning of another rest of a route

NODE = np.dtype(
    [("place", "i4"), ("leg", "i4"), ("leave", "i4"), ("late", "i4"), ("leave0", "i4"), ("late0", "i4")], align=True
)
"""One node of a route: its place, the drive to the next node, and (with lunch over, and with
lunch to come, `0`) the earliest departure from it and the latest arrival at it."""

STOP = np.dtype(
    [(name, "i8") for name in ("service", "eats", "load", "priority", "first", "last", "windows", "promised", "misses")]
    + [(name, "i4") for name in ("route", "node", "best_route", "best_node", "days_at", "days_to")],
    align=True,
)
DAY = np.dtype(
    [
        (name, "i8")
        for name in (
            "begin", "end", "limit", "start_at", "end_at", "capacity", "lunch_lo", "lunch_hi", "lunch_len", "kind",
            "length", "load", "cost", "version", "touched", "listed",
            "old_length", "old_load", "old_cost", "old_version",
        )
    ],
    align=True,
)  # fmt: skip
WORK = np.dtype(
    [("random", "u8"), ("size", "f8"), ("string", "f8"), ("favour", "f8"), ("fresh", "f8"), ("room", "f8")]
    + [
        (name, "i8")
        for name in (
            "drive", "paid", "overtime", "late", "plain", "lunch", "extra", "look",
            "cost", "left", "absent", "best_cost", "best_left", "step", "listing", "versions",
        )
    ],
    align=True,
)  # fmt: skip
"""What the search counts: the money weights, what the problem has, the plan's cost, priority
left out and absent stops, and the best of these."""

FOUND = np.dtype(
    [("key", "i8"), ("price", "i8"), ("other_price", "i8"), ("node", "i4"), ("other_node", "i4")], align=True
)
"""The two cheapest places of a stop in a route, as the route was in one of its versions (`key`)."""

MOST_FOUND = 1 << 20
"""So many of them are remembered; a power of two."""


class Data(NamedTuple):
    """One searcher's tables: n stops, m crew-days, p places (stops first, then bases)."""

    travel: np.ndarray  # (p, p) int32, row to column
    into: np.ndarray  # its transpose: a stop's row lies together in memory
    lo: np.ndarray  # (n, w) windows
    hi: np.ndarray
    near: np.ndarray  # (n, k) int32: the k nearest stops, nearest first
    may: np.ndarray  # (n, m) bool: the crew-day may take the stop
    days_of: np.ndarray  # crew-days that may take it, stop by stop
    extra: np.ndarray  # (n, m), or (1, 1) where it is nothing
    stops: np.ndarray  # (n,) STOP
    days: np.ndarray  # (m,) DAY
    nodes: np.ndarray  # (m, width) NODE
    old: np.ndarray  # (m, width) NODE: the nodes before the step
    found: np.ndarray  # (a power of two,) FOUND: places of a stop in a route, by both numbers
    touched: np.ndarray  # (m,) crew-days changed in this step
    listed: np.ndarray  # (2m,) crew-days to look at
    kinds: np.ndarray  # (kinds,) when an empty crew-day of the kind was listed
    absent: np.ndarray  # (n,) stops in no route
    old_absent: np.ndarray  # (n,) those before the step
    keys: np.ndarray  # (n,) what they are sorted by
    work: np.ndarray  # (1,) WORK


# -- small things ---------------------------------------------------------------


@inlined
def chance(work):
    """The next number in [0, 1) of a xorshift generator."""
    x = work[0].random
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    work[0].random = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inlined
def start_from(lo, hi, count, stop, ready):
    """The first moment from `ready` on in a window of the stop, FAR if there is none."""
    found = FAR
    for w in range(count):
        if ready <= hi[stop, w]:
            found = max(ready, lo[stop, w])
            break
    return found


@inlined
def start_until(lo, hi, count, stop, bound):
    """The last moment up to `bound` in a window of the stop, LONG_AGO if there is none."""
    found = LONG_AGO
    for w in range(count - 1, -1, -1):
        if lo[stop, w] <= bound:
            found = min(bound, hi[stop, w])
            break
    return found


@inlined
def start_within(lo, hi, stops, stop, leave, eat_lo, eat_hi, length):
    """The last start that eats within the stop and leaves by `leave`, LONG_AGO if it can't be eaten there."""
    found = LONG_AGO
    if stops[stop].eats and length > 0:
        service = stops[stop].service
        found = start_until(lo, hi, stops[stop].windows, stop, min(leave - length - service, eat_hi))
        if found + service < eat_lo:
            found = LONG_AGO
    return found


@inlined
def copy_node(into, r, k, nodes, j):
    """Copies node `j` of the route to node `k`."""
    into[r, k].place = nodes[r, j].place
    into[r, k].leg = nodes[r, j].leg
    into[r, k].leave = nodes[r, j].leave
    into[r, k].late = nodes[r, j].late
    into[r, k].leave0 = nodes[r, j].leave0
    into[r, k].late0 = nodes[r, j].late0


@inlined
def after_drive(lo, hi, length, leave0, leave, drive):
    """When work could start after a drive with lunch over, eaten before or after it if need be."""
    ready = leave + drive
    if leave0 < FAR:
        eat = max(leave0, lo)
        if eat <= hi:
            ready = min(ready, eat + length + drive)
        eat = max(leave0 + drive, lo)
        if eat <= hi:
            ready = min(ready, eat + length)
    return ready


# -- times and costs of a route ---------------------------------------------------


@inlined
def retime(nodes, days, stops, travel, lo, hi, r, first, final):
    """Earliest departures from node `first` on, latest arrivals from node `final` back."""
    if days[r].lunch_len > 0:
        retime_lunch(nodes, days, stops, travel, lo, hi, r)
    else:
        retime_plain(nodes, days, stops, travel, lo, hi, r, first, final)


@compiled
def retime_plain(nodes, days, stops, travel, lo, hi, r, first, final):
    """`retime` of a day without lunch; where only a part is asked for, it ends where nothing changes any more."""
    n = days[r].length
    is_part = first > 0
    if not is_part:
        nodes[r, 0].leave = days[r].begin
        first = 1
    before = nodes[r, first - 1].place
    at = np.int64(nodes[r, first - 1].leave)
    for k in range(first, n + 1):
        stop = nodes[r, k].place
        drive = travel[before, stop]
        nodes[r, k - 1].leg = drive
        at = np.int64(min(start_from(lo, hi, stops[stop].windows, stop, at + drive) + stops[stop].service, FAR))
        if is_part and k > first and at == nodes[r, k].leave:
            break
        nodes[r, k].leave = at
        before = stop
    else:
        nodes[r, n].leg = travel[before, nodes[r, n + 1].place]
    if final > n:
        nodes[r, n + 1].late = days[r].limit
        final = n
    at = np.int64(nodes[r, final + 1].late)
    for k in range(final, 0, -1):
        stop = nodes[r, k].place
        at = start_until(lo, hi, stops[stop].windows, stop, at - nodes[r, k].leg - stops[stop].service)
        if is_part and k < final and at == nodes[r, k].late:
            break
        nodes[r, k].late = at


@compiled
def retime_lunch(nodes, days, stops, travel, lo, hi, r):
    """`retime` of a day with lunch, whole route."""
    n, eat_lo, eat_hi, length = days[r].length, days[r].lunch_lo, days[r].lunch_hi, days[r].lunch_len
    leave0 = days[r].begin
    leave = max(leave0, eat_lo + length)
    nodes[r, 0].leave0 = leave0
    nodes[r, 0].leave = leave
    before = nodes[r, 0].place
    for k in range(1, n + 1):
        stop = nodes[r, k].place
        drive = np.int64(travel[before, stop])
        nodes[r, k - 1].leg = drive
        ready = after_drive(eat_lo, eat_hi, length, leave0, leave, drive)
        windows, service = stops[stop].windows, stops[stop].service
        leave0 = min(start_from(lo, hi, windows, stop, leave0 + drive) + service, FAR)
        leave = min(start_from(lo, hi, windows, stop, ready) + service, FAR)
        if stops[stop].eats and leave0 < FAR and leave0 - service <= eat_hi and leave0 >= eat_lo:
            leave = min(leave, leave0 + length)
        nodes[r, k].leave0 = leave0
        nodes[r, k].leave = leave
        before = stop
    nodes[r, n].leg = travel[before, nodes[r, n + 1].place]
    late = days[r].limit
    late0 = min(late, eat_hi)
    nodes[r, n + 1].late = late
    nodes[r, n + 1].late0 = late0
    for k in range(n, 0, -1):
        stop = nodes[r, k].place
        windows, service = stops[stop].windows, stops[stop].service
        late, late0 = late - nodes[r, k].leg, late0 - nodes[r, k].leg
        eat = min(late - length, eat_hi)
        if eat >= eat_lo:
            late0 = max(late0, eat)
        within = start_within(lo, hi, stops, stop, late, eat_lo, eat_hi, length)
        late = start_until(lo, hi, windows, stop, late - service)
        late0 = start_until(lo, hi, windows, stop, late0 - service)
        eat = min(late - length, eat_hi)
        if eat >= eat_lo:
            late0 = max(late0, eat)
        late0 = max(late0, within)
        nodes[r, k].late = late
        nodes[r, k].late0 = late0


@inlined
def route_cost(nodes, days, stops, lo, hi, extra, work, r):
    """What the route costs by the objective; exact without lunch, and close to it with."""
    n = days[r].length
    cost = np.int64(0)
    if n > 0:
        drive = np.int64(0)
        for k in range(n + 1):
            drive += nodes[r, k].leg
        cost = work[0].drive * drive
        if work[0].extra:
            for k in range(1, n + 1):
                cost += extra[nodes[r, k].place, r]
        if not work[0].plain:
            cost += time_cost(nodes, days, stops, lo, hi, work, r)
    return cost


@compiled
def time_cost(nodes, days, stops, lo, hi, work, r):
    """Paid time, overtime and lateness: back as early as can be, leaving as late as that allows."""
    n, eat_lo, eat_hi, length = days[r].length, days[r].lunch_lo, days[r].lunch_hi, days[r].lunch_len
    drive = np.int64(nodes[r, n].leg)
    leave0 = np.int64(nodes[r, n].leave0)
    back = nodes[r, n].leave + drive
    if length > 0:
        eat = max(leave0, eat_lo)
        if eat <= eat_hi:
            back = min(back, eat + length + drive)
        if leave0 + drive <= eat_hi:
            back = min(back, leave0 + drive)
    late = back
    late0 = np.int64(LONG_AGO)
    if length > 0:
        late0 = min(back, eat_hi)
    for k in range(n, -1, -1):
        late, late0 = late - nodes[r, k].leg, late0 - nodes[r, k].leg
        eat = min(late - length, eat_hi)
        if length > 0 and eat >= eat_lo:
            late0 = max(late0, eat)
        if k == 0:
            break
        stop = nodes[r, k].place
        within = start_within(lo, hi, stops, stop, late, eat_lo, eat_hi, length)
        late = start_until(lo, hi, stops[stop].windows, stop, late - stops[stop].service)
        late0 = start_until(lo, hi, stops[stop].windows, stop, late0 - stops[stop].service)
        eat = min(late - length, eat_hi)
        if length > 0 and eat >= eat_lo:
            late0 = max(late0, eat)
        late0 = max(late0, within)
    if length > 0 and late < eat_lo + length:
        late = np.int64(LONG_AGO)
    depart = max(days[r].begin, max(late0, late))
    cost = work[0].paid * (back - depart) + work[0].overtime * max(0, back - days[r].end)
    if work[0].late:
        at = depart
        for k in range(1, n + 1):  # lunch is left out of lateness: the exact referee adds it
            stop = nodes[r, k].place
            at = start_from(lo, hi, stops[stop].windows, stop, at + nodes[r, k - 1].leg)
            cost += work[0].late * max(0, at - stops[stop].promised)
            at += stops[stop].service
    return cost


# -- the plan as a whole ------------------------------------------------------------


@compiled
def reset(nodes, days, stops, travel, lo, hi, extra, absent, work):
    """Builds routes, times, costs and totals from the stops' `route` and `node`."""
    n, m = len(stops), len(days)
    for r in range(m):
        days[r].length = 0
        days[r].load = 0
    work[0].left = 0
    work[0].absent = 0
    for stop in range(n):
        r = stops[stop].route
        if r >= 0:
            days[r].length += 1
            days[r].load += stops[stop].load
            nodes[r, stops[stop].node].place = stop
        else:
            work[0].left += stops[stop].priority
            absent[work[0].absent] = stop
            work[0].absent += 1
    work[0].cost = 0
    for r in range(m):
        nodes[r, 0].place = days[r].start_at
        nodes[r, days[r].length + 1].place = days[r].end_at
        retime(nodes, days, stops, travel, lo, hi, r, 0, days[r].length + 1)
        days[r].cost = route_cost(nodes, days, stops, lo, hi, extra, work, r)
        work[0].cost += days[r].cost
        renew(days, work, r)
    keep_best(stops, work)


@compiled
def keep_best(stops, work):
    """Remembers the plan as it is."""
    work[0].best_cost = work[0].cost
    work[0].best_left = work[0].left
    for stop in range(len(stops)):
        stops[stop].best_route = stops[stop].route
        stops[stop].best_node = stops[stop].node


@inlined
def renew(days, work, r):
    """Gives the route a version that no route had: what was found in it before is found no more."""
    work[0].versions += 1
    days[r].version = work[0].versions


@inlined
def touch(nodes, days, old, touched, work, r, count):
    """Copies a crew-day before its first change in this step; the number copied so far."""
    if days[r].touched != work[0].step:
        days[r].touched = work[0].step
        touched[count] = r
        n = days[r].length
        days[r].old_length = n
        days[r].old_cost = days[r].cost
        days[r].old_load = days[r].load
        days[r].old_version = days[r].version
        for k in range(n + 2):
            copy_node(old, r, k, nodes, k)
        count += 1
    return count


@compiled
def recognize(nodes, days, old, touched, count):
    """Gives back the version of each crew-day that is after the step as it was before."""
    for i in range(count):
        r = touched[i]
        n = days[r].length
        if n == days[r].old_length and days[r].cost == days[r].old_cost:
            k = 1
            while k <= n and nodes[r, k].place == old[r, k].place:
                k += 1
            if k > n:
                days[r].version = days[r].old_version


@compiled
def undo(nodes, days, stops, old, touched, absent, old_absent, work, count, before):
    """Puts the copied crew-days and the absent stops back."""
    for i in range(work[0].absent):
        stops[absent[i]].route = -1
    for i in range(count):
        r = touched[i]
        n = days[r].old_length
        days[r].length = n
        days[r].cost = days[r].old_cost
        days[r].load = days[r].old_load
        days[r].version = days[r].old_version
        for k in range(n + 2):
            copy_node(nodes, r, k, old, k)
        for k in range(1, n + 1):
            stops[nodes[r, k].place].route = r
            stops[nodes[r, k].place].node = k
    work[0].absent = before
    for i in range(before):
        absent[i] = old_absent[i]
        stops[absent[i]].route = -1


# -- ruin -----------------------------------------------------------------------------


@compiled
def tear_string(nodes, days, stops, travel, lo, hi, absent, work, stop, length):
    """Takes a string of `length` stops with `stop` in it out of its route, or leaves a middle part of it."""
    r = stops[stop].route
    n, at = days[r].length, stops[stop].node
    kept = 0
    if length > 1 and length < n and chance(work) < SPLIT:
        kept = 1
        while length + kept < n and chance(work) < DEEPER:
            kept += 1
    span = length + kept
    low = max(1, at - span + 1)
    high = min(at, n - span + 1)
    first = low + int(chance(work) * (high - low + 1))
    hold_from, hold_to = -1, -1
    if kept:
        hold_from = first + 1 + int(chance(work) * (length - 1))
        hold_to = hold_from + kept
    write = first
    for k in range(first, n + 2):
        place = nodes[r, k].place
        if k < first + span and not (hold_from <= k < hold_to):
            stops[place].route = -1
            absent[work[0].absent] = place
            work[0].absent += 1
            days[r].load -= stops[place].load
        else:
            nodes[r, write].place = place
            if k <= n:
                stops[place].node = write
            write += 1
    days[r].length = n - length
    renew(days, work, r)
    retime(nodes, days, stops, travel, lo, hi, r, 0, n - length + 1)


@compiled
def ruin(nodes, days, stops, travel, lo, hi, near, old, touched, absent, work):
    """Tears strings out of neighbouring routes; the number of crew-days touched."""
    n, used, count = len(stops), 0, 0
    for r in range(len(days)):
        if days[r].length > 0:
            used += 1
    if used == 0:
        return 0
    longest = min(work[0].string, (n - work[0].absent) / used)
    strings = int(chance(work) * (4.0 * work[0].size / (1.0 + longest) - 1.0) + 1.0)
    seed = int(chance(work) * n)
    for i in range(-1, near.shape[1]):
        if count >= strings:
            break
        stop = seed if i < 0 else near[seed, i]
        r = stops[stop].route
        if r >= 0 and days[r].touched != work[0].step:
            count = touch(nodes, days, old, touched, work, r, count)
            length = int(chance(work) * min(float(days[r].length), longest) + 1.0)
            tear_string(nodes, days, stops, travel, lo, hi, absent, work, stop, min(length, days[r].length))
    return count


# -- recreate ---------------------------------------------------------------------------


@compiled
def sort_absent(days, stops, travel, lo, hi, absent, keys, work):
    """Puts the absent stops in one of several orders, by lot."""
    n = work[0].absent
    pick = chance(work) * 14.0
    base = days[0].start_at
    for i in range(n):
        stop = absent[i]
        noise = chance(work)
        if pick < 4.0:
            key = noise
        elif pick < 6.0:
            key = -float(stops[stop].load)
        elif pick < 8.0:
            key = -float(travel[base, stop])
        elif pick < 9.0:
            key = float(travel[base, stop])
        elif pick < 10.5:
            key = 0.0
            for w in range(stops[stop].windows):
                key += float(hi[stop, w] - lo[stop, w])
        elif pick < 12.0:
            key = float(stops[stop].first)
        elif pick < 13.0:
            key = -float(stops[stop].last)
        else:
            key = -float(stops[stop].service)
        keys[i] = key + noise * 1e-3
    for i in range(1, n):  # few stops: insertion sort
        key, stop, j = keys[i], absent[i], i - 1
        while j >= 0 and keys[j] > key:
            keys[j + 1] = keys[j]
            absent[j + 1] = absent[j]
            j -= 1
        keys[j + 1] = key
        absent[j + 1] = stop


@compiled
def all_days(days, stops, days_of, listed, kinds, work, stop):
    """Lists every crew-day for the stop, of empty ones that are alike only the first; how many."""
    work[0].listing += 1
    count = 0
    for i in range(stops[stop].days_at, stops[stop].days_to):
        r = days_of[i]
        if days[r].length == 0:
            if kinds[days[r].kind] == work[0].listing:
                continue
            kinds[days[r].kind] = work[0].listing
        listed[count] = r
        count += 1
    return count


@compiled
def near_days(days, stops, near, may, days_of, listed, kinds, work, stop):
    """Lists the crew-days that have a near stop, and one empty one of each kind; how many."""
    work[0].listing += 1
    count = 0
    for i in range(min(work[0].look, near.shape[1])):
        r = stops[near[stop, i]].route
        if r >= 0 and days[r].listed != work[0].listing:
            days[r].listed = work[0].listing
            if may[stop, r]:
                listed[count] = r
                count += 1
    for i in range(stops[stop].days_at, stops[stop].days_to):
        r = days_of[i]
        if days[r].length == 0 and kinds[days[r].kind] != work[0].listing:
            kinds[days[r].kind] = work[0].listing
            listed[count] = r
            count += 1
    return count


@compiled
def find_plain(nodes, days, stops, travel, into, lo, hi, extra, found, work, stop, r, at):
    """Writes the two cheapest legal nodes for the stop in the route, a day without lunch, to `found[at]`."""
    price1, price2, k1, k2 = np.int64(DEAR), np.int64(DEAR), -1, -1
    paid = work[0].paid
    weight = work[0].drive + paid
    first, last, service, windows = stops[stop].first, stops[stop].last, stops[stop].service, stops[stop].windows
    more = np.int64(0)
    if work[0].extra:
        more = extra[stop, r]
    n = days[r].length
    low = 0
    while low < n and nodes[r, low + 1].late < first + service:  # too early in the day for the stop
        low += 1
    a = nodes[r, low].place
    for k in range(low, n + 1):
        leave = nodes[r, k].leave
        if leave > last:
            break
        b = nodes[r, k + 1].place
        there = into[stop, a]
        onward = travel[stop, b]
        gone = nodes[r, k].leg if n > 0 else 0
        price = weight * (there + onward - gone) + more
        a = b
        if price >= price2:
            continue
        ready = np.int64(leave) + there
        start = start_from(lo, hi, windows, stop, ready)
        if start + service + onward > nodes[r, k + 1].late:
            continue
        if paid > 0 and k > 0:
            price += paid * (start - ready)
        if price < price1:
            price2, k2 = price1, k1
            price1, k1 = price, k
        elif price < price2:
            price2, k2 = price, k
    keep_found(found, at, price1, k1, price2, k2)


@compiled
def find_lunch(nodes, days, stops, travel, into, lo, hi, extra, found, work, stop, r, at):
    """`find_plain` of a day with lunch."""
    price1, price2, k1, k2 = np.int64(DEAR), np.int64(DEAR), -1, -1
    weight = work[0].drive + work[0].paid
    service, windows = stops[stop].service, stops[stop].windows
    more = np.int64(0)
    if work[0].extra:
        more = extra[stop, r]
    n = days[r].length
    length, eat_lo, eat_hi = days[r].lunch_len, days[r].lunch_lo, days[r].lunch_hi
    for k in range(n + 1):
        there = np.int64(into[stop, nodes[r, k].place])
        onward = np.int64(travel[stop, nodes[r, k + 1].place])
        gone = nodes[r, k].leg if n > 0 else 0
        price = weight * (there + onward - gone) + more
        if price >= price2:
            continue
        leave, leave0 = np.int64(nodes[r, k].leave), np.int64(nodes[r, k].leave0)
        ready = after_drive(eat_lo, eat_hi, length, leave0, leave, there)
        done = start_from(lo, hi, windows, stop, ready) + service
        legal = done + onward <= nodes[r, k + 1].late
        if not legal:
            done = start_from(lo, hi, windows, stop, leave0 + there) + service
            eat = max(done, eat_lo)
            legal = done + onward <= nodes[r, k + 1].late0
            if stops[stop].eats and done - service <= eat_hi and done >= eat_lo:
                legal = legal or done + length + onward <= nodes[r, k + 1].late
            legal = legal or (eat <= eat_hi and eat + length + onward <= nodes[r, k + 1].late)
        if not legal:
            continue
        if price < price1:
            price2, k2 = price1, k1
            price1, k1 = price, k
        else:
            price2, k2 = price, k
    keep_found(found, at, price1, k1, price2, k2)


@inlined
def keep_found(found, at, price1, k1, price2, k2):
    """Writes what was found; -1 is no node."""
    found[at].price = price1
    found[at].node = k1
    found[at].other_price = price2
    found[at].other_node = k2


@compiled
def scan_plain(nodes, days, stops, travel, into, lo, hi, extra, work, stop, r, best):
    """The cheapest legal node below the price `best`, a day without lunch; (best, -1) for none."""
    best_k = np.int64(-1)
    paid = work[0].paid
    weight = work[0].drive + paid
    first, last, service, windows = stops[stop].first, stops[stop].last, stops[stop].service, stops[stop].windows
    more = np.int64(0)
    if work[0].extra:
        more = extra[stop, r]
    n = days[r].length
    low = 0
    while low < n and nodes[r, low + 1].late < first + service:  # too early in the day for the stop
        low += 1
    a = nodes[r, low].place
    for k in range(low, n + 1):
        leave = nodes[r, k].leave
        if leave > last:
            break
        b = nodes[r, k + 1].place
        there = into[stop, a]
        onward = travel[stop, b]
        gone = nodes[r, k].leg if n > 0 else 0
        price = weight * (there + onward - gone) + more
        a = b
        if price >= best:
            continue
        ready = np.int64(leave) + there
        start = start_from(lo, hi, windows, stop, ready)
        if start + service + onward > nodes[r, k + 1].late:
            continue
        if paid > 0 and k > 0:
            price += paid * (start - ready)
            if price >= best:
                continue
        if chance(work) < OVERLOOK:
            continue
        best, best_k = price, np.int64(k)
    return best, best_k


@compiled
def cheapest(nodes, days, stops, travel, into, lo, hi, extra, listed, found, work, stop, count):
    """
    The cheapest legal crew-day and node of the listed ones; (-1, -1) for none.

    What was found in a route is remembered until it changes: most have not, and the search spends
    its time here. Those that this step has changed are looked through anew, for less than the best.
    """
    best, best_r, best_k = np.int64(DEAR), np.int64(-1), np.int64(-1)
    load, fresh = stops[stop].load, work[0].fresh
    row, mask = stop * len(days), len(found) - 1
    changed = 0
    for i in range(count):
        r = listed[i]
        if days[r].load + load > days[r].capacity:
            continue
        if days[r].touched == work[0].step and days[r].lunch_len == 0 and days[r].length > 0:
            listed[changed] = r
            changed += 1
            continue
        at = (row + r) & mask
        key = days[r].version * len(stops) + stop
        if found[at].key != key:
            found[at].key = key
            if days[r].lunch_len > 0:
                find_lunch(nodes, days, stops, travel, into, lo, hi, extra, found, work, stop, r, at)
            else:
                find_plain(nodes, days, stops, travel, into, lo, hi, extra, found, work, stop, r, at)
        price, k = found[at].price, found[at].node
        if days[r].length == 0 and k >= 0:
            price = np.int64(price * fresh)
        if price >= best:
            continue
        if chance(work) < OVERLOOK:
            price, k = found[at].other_price, found[at].other_node
            if price >= best or chance(work) < OVERLOOK:
                continue
        best, best_r, best_k = price, np.int64(r), np.int64(k)
    for i in range(changed):
        price, place = scan_plain(nodes, days, stops, travel, into, lo, hi, extra, work, stop, listed[i], best)
        if place >= 0:
            best, best_r, best_k = price, np.int64(listed[i]), place
    return best_r, best_k


@inlined
def put(nodes, days, stops, stop, r, node):
    """Puts the stop after node `node` of the route; times follow in `retime`."""
    n = days[r].length
    for k in range(n + 1, node, -1):
        moved = nodes[r, k].place
        nodes[r, k + 1].place = moved
        nodes[r, k + 1].late = nodes[r, k].late
        nodes[r, k + 1].leave = nodes[r, k].leave
        nodes[r, k + 1].leg = nodes[r, k].leg
        if k <= n:
            stops[moved].node = k + 1
    nodes[r, node + 1].place = stop
    stops[stop].route = r
    stops[stop].node = node + 1
    days[r].length = n + 1
    days[r].load += stops[stop].load


@compiled
def recreate(
    nodes,
    days,
    stops,
    travel,
    into,
    lo,
    hi,
    near,
    may,
    days_of,
    extra,
    old,
    found,
    touched,
    listed,
    kinds,
    absent,
    work,
    count,
):
    """
    Puts absent stops back where they cost least; the number of crew-days touched.

    It ends early, with no `room` left, where the plan costs more than would be kept.
    """
    left = 0
    for i in range(work[0].absent):
        stop = absent[i]
        r, k = np.int64(-1), np.int64(-1)
        if work[0].look:
            days_near = near_days(days, stops, near, may, days_of, listed, kinds, work, stop)
            r, k = cheapest(nodes, days, stops, travel, into, lo, hi, extra, listed, found, work, stop, days_near)
        if r < 0:
            days_all = all_days(days, stops, days_of, listed, kinds, work, stop)
            r, k = cheapest(nodes, days, stops, travel, into, lo, hi, extra, listed, found, work, stop, days_all)
        if r < 0:
            absent[left] = stop
            left += 1
            continue
        gone = nodes[r, k].leg if days[r].length > 0 else 0
        work[0].room -= work[0].drive * (into[stop, nodes[r, k].place] + travel[stop, nodes[r, k + 1].place] - gone)
        if work[0].room < 0:
            break
        count = touch(nodes, days, old, touched, work, r, count)
        put(nodes, days, stops, stop, r, k)
        renew(days, work, r)
        retime(nodes, days, stops, travel, lo, hi, r, k + 1, k + 1)
    work[0].absent = left
    return count


# -- exchanging the rests of two routes --------------------------------------------------


@compiled
def swap_tails(nodes, days, stops, travel, lo, hi, near, old, touched, work, limit):
    """
    Lets two alike crew-days go on with each other's stops from somewhere on; the number of crew-days touched.

    The first exchange [2]_ that a stop chosen by lot can make with a near one, in time, by load, and for
    less than `limit`; crew-days with lunch are left alone.
    """
    a = int(chance(work) * len(stops))
    r = stops[a].route
    if r < 0 or days[r].lunch_len > 0:
        return 0
    k = stops[a].node
    leave, onward = nodes[r, k].leave, nodes[r, k + 1].place
    saved = limit - work[0].cost
    for i in range(min(TAILS, near.shape[1])):
        b = near[a, i]
        q = stops[b].route
        if q < 0 or q == r or days[q].kind != days[r].kind:
            continue
        j = stops[b].node
        there, back = travel[a, b], travel[nodes[q, j - 1].place, onward]
        if work[0].drive * (np.int64(there) + back - nodes[r, k].leg - nodes[q, j - 1].leg) >= saved:
            continue
        if leave + there > nodes[q, j].late or nodes[q, j - 1].leave + back > nodes[r, k + 1].late:
            continue
        if not tails_fit(nodes, days, stops, r, k, q, j):
            continue
        count = touch(nodes, days, old, touched, work, r, 0)
        count = touch(nodes, days, old, touched, work, q, count)
        put_tail(nodes, days, stops, old, r, k, q, j)
        put_tail(nodes, days, stops, old, q, j - 1, r, k + 1)
        for i in range(count):
            renew(days, work, touched[i])
            retime_plain(nodes, days, stops, travel, lo, hi, touched[i], 0, days[touched[i]].length + 1)
        return count
    return 0


@compiled
def tails_fit(nodes, days, stops, r, k, q, j):
    """Whether the van of each route holds its own stops up to there and the other's from there on."""
    head, other_head = np.int64(0), np.int64(0)
    for i in range(1, k + 1):
        head += stops[nodes[r, i].place].load
    for i in range(1, j):
        other_head += stops[nodes[q, i].place].load
    load, other_load = head + days[q].load - other_head, other_head + days[r].load - head
    return load <= days[r].capacity and other_load <= days[q].capacity


@compiled
def put_tail(nodes, days, stops, old, r, k, q, j):
    """Puts what was node `j` and on of the other route after node `k` of this one."""
    n = k
    for i in range(j, days[q].old_length + 1):
        n += 1
        nodes[r, n].place = old[q, i].place
    for i in range(k + 1, n + 1):
        stops[nodes[r, i].place].route = r
        stops[nodes[r, i].place].node = i
    nodes[r, n + 1].place = days[r].end_at
    days[r].length = n
    days[r].load = 0
    for i in range(1, n + 1):
        days[r].load += stops[nodes[r, i].place].load


# -- the search ------------------------------------------------------------------------


@compiled
def settle(nodes, days, stops, lo, hi, extra, touched, absent, work, count):
    """Cost and priority left out after the step; touched routes get their cost."""
    cost, left = work[0].cost, np.int64(0)
    for i in range(count):
        r = touched[i]
        days[r].cost = route_cost(nodes, days, stops, lo, hi, extra, work, r)
        cost += days[r].cost - days[r].old_cost
    for i in range(work[0].absent):
        stops[absent[i]].misses += 1
        left += stops[absent[i]].priority
    return cost, left


@compiled
def is_kept(stops, absent, old_absent, work, cost, left, before, limit):
    """Whether the new plan replaces the current one."""
    if left < work[0].left:
        return True
    if left == work[0].left and cost < limit:
        return True
    new, old = 0, 0  # let stops that were often left out push out others [1]
    for i in range(work[0].absent):
        new += stops[absent[i]].misses * stops[absent[i]].priority
    for i in range(before):
        old += stops[old_absent[i]].misses * stops[old_absent[i]].priority
    return left > work[0].left and new < old


@compiled
def room_for(nodes, days, work, touched, count, before, limit):
    """What putting stops back may cost before the plan is beyond `limit`; DEAR where that is not known in time."""
    if before > 0 or not work[0].plain or work[0].extra:
        return float(DEAR)
    room = limit - work[0].cost
    for i in range(count):
        r = touched[i]
        room += days[r].old_cost
        if days[r].length > 0:
            for k in range(days[r].length + 1):
                room -= work[0].drive * nodes[r, k].leg
    return room


@compiled
def settled(nodes, days, stops, lo, hi, extra, old, touched, absent, old_absent, work, changed, before, limit):
    """Ends a step: the new plan is kept or undone; whether it is kept."""
    is_better = False
    if work[0].room >= 0:
        cost, left = settle(nodes, days, stops, lo, hi, extra, touched, absent, work, changed)
        is_better = is_kept(stops, absent, old_absent, work, cost, left, before, limit)
        if is_better:
            work[0].cost = cost
            work[0].left = left
            recognize(nodes, days, old, touched, changed)
            if left < work[0].best_left or (left == work[0].best_left and cost < work[0].best_cost):
                keep_best(stops, work)
    if not is_better:
        undo(nodes, days, stops, old, touched, absent, old_absent, work, changed, before)
    return is_better


@compiled
def steps(
    travel, into, lo, hi, near, may, days_of, extra, stops, days, nodes, old, found, touched, listed, kinds, absent,
    old_absent, keys, work, count, hot, cold,
):  # fmt: skip
    """
    `count` steps, cooling from `hot` to `cold`; how many were kept.

    The stops' `best_route` and `best_node` hold the best plan met.
    """
    kept, heat = 0, hot
    rate = (cold / hot) ** (1.0 / max(1, count))
    for _ in range(count):
        work[0].step += 1
        work[0].fresh = chance(work) if chance(work) < work[0].favour else 1.0
        before = work[0].absent
        for i in range(before):
            old_absent[i] = absent[i]
        limit = work[0].cost - heat * np.log(chance(work) + 1e-300)
        changed = ruin(nodes, days, stops, travel, lo, hi, near, old, touched, absent, work)
        work[0].room = room_for(nodes, days, work, touched, changed, before, limit)
        sort_absent(days, stops, travel, lo, hi, absent, keys, work)
        changed = recreate(
            nodes, days, stops, travel, into, lo, hi, near, may, days_of, extra, old, found, touched, listed, kinds,
            absent, work, changed,
        )  # fmt: skip
        if settled(nodes, days, stops, lo, hi, extra, old, touched, absent, old_absent, work, changed, before, limit):
            kept += 1
        work[0].step += 1
        before = work[0].absent
        for i in range(before):
            old_absent[i] = absent[i]
        limit = work[0].cost - heat * np.log(chance(work) + 1e-300)
        changed = swap_tails(nodes, days, stops, travel, lo, hi, near, old, touched, work, limit)
        if changed > 0:
            work[0].room = 0.0
            settled(nodes, days, stops, lo, hi, extra, old, touched, absent, old_absent, work, changed, before, limit)
        heat *= rate
    return kept


# -- making the tables --------------------------------------------------------------------


def data_of(
    arrays: Arrays,
    weights: tuple[int, int, int, int],
    seed: int,
    look: int = 0,
    neighbours: int = 1000,
    size: float = 10,
    favour: float = 0.1,
    string: float = 10,
) -> Data:
    """
    The tables of one searcher, with an empty plan.

    Parameters
    ----------
    weights
        Money per second driven, paid, of overtime and late, as in `Objective`.
    look
        How many near stops' routes are looked at for a place first; 0 is all routes.
    size
        How many stops a step tears out on average.
    string
        The longest string torn out.
    favour
        How often an empty crew-day is looked at with favour, so that plans of more routes are met.
    """
    n, m = len(arrays.service), len(arrays.begin)
    travel = np.ascontiguousarray(arrays.travel.astype(np.int32))
    days_of = [np.flatnonzero(row) for row in arrays.allowed]
    ends = np.cumsum([0, *(len(numbers) for numbers in days_of)])
    has_extra = bool(arrays.extra.any())
    stops = np.zeros(n, dtype=STOP)
    stops["eats"] = arrays.eats
    stops["service"], stops["load"], stops["priority"] = arrays.service, arrays.load, arrays.priority
    lo, hi = np.minimum(arrays.open_lo, FAR), np.minimum(arrays.open_hi, FAR - 1)
    stops["first"], stops["last"], stops["windows"] = lo[:, 0], hi.max(axis=1), (hi >= 0).sum(axis=1)
    stops["promised"] = np.minimum(arrays.promised_end, FAR)
    stops["misses"], stops["route"], stops["best_route"] = 1, -1, -1
    stops["days_at"], stops["days_to"] = ends[:-1], ends[1:]
    days = np.zeros(m, dtype=DAY)
    for name in (
        "begin",
        "end",
        "limit",
        "start_at",
        "end_at",
        "capacity",
        "lunch_lo",
        "lunch_hi",
        "lunch_len",
        "kind",
    ):
        days[name] = getattr(arrays, name)
    width = _longest_route(arrays) + 4
    work = np.zeros(1, dtype=WORK)
    work["drive"], work["paid"], work["overtime"], work["late"] = weights
    work["plain"], work["lunch"] = not any(weights[1:]), bool(arrays.lunch_len.any())
    work["extra"], work["look"], work["size"] = has_extra, look, size
    work["favour"], work["fresh"], work["string"] = favour, 1.0, string
    work["random"] = np.uint64((seed * 0x9E3779B97F4A7C15 + 0xD1B54A32D192ED03) % (1 << 64) or 1)
    ints: Any = np.int64
    return Data(
        travel=travel,
        into=np.ascontiguousarray(travel.T),
        lo=lo,
        hi=hi,
        near=_near(travel[:n, :n], min(n - 1, neighbours)),
        may=arrays.allowed,
        days_of=np.concatenate([*days_of, np.zeros(0, ints)]).astype(ints),
        extra=arrays.extra if has_extra else np.zeros((1, 1), ints),
        stops=stops,
        days=days,
        nodes=np.zeros((m, width), dtype=NODE),
        old=np.zeros((m, width), dtype=NODE),
        found=np.zeros(min(MOST_FOUND, 1 << max(1, n * m - 1).bit_length()), dtype=FOUND),
        touched=np.zeros(m, ints),
        listed=np.zeros(2 * m, ints),
        kinds=np.zeros(m, ints),
        absent=np.zeros(n, ints),
        old_absent=np.zeros(n, ints),
        keys=np.zeros(n),
        work=work,
    )


def _near(travel: np.ndarray, count: int) -> np.ndarray:
    between = (travel + travel.T).astype(np.int64)
    np.fill_diagonal(between, np.iinfo(np.int64).max)
    if count < 1:
        return np.zeros((len(travel), 0), dtype=np.int32)
    nearest = np.argpartition(between, count - 1, axis=1)[:, :count]
    order = np.argsort(np.take_along_axis(between, nearest, axis=1), axis=1, kind="stable")
    return np.ascontiguousarray(np.take_along_axis(nearest, order, axis=1).astype(np.int32))


def _longest_route(arrays: Arrays) -> int:
    """No route can hold more stops than this, by time and by load."""
    n = len(arrays.service)
    if n == 0 or len(arrays.begin) == 0:
        return 0
    between = arrays.travel[:, :n].copy()
    between[np.arange(n), np.arange(n)] = np.iinfo(np.int64).max
    spent = np.cumsum(np.sort(arrays.service + between.min(axis=0)))
    by_time = int(np.searchsorted(spent, (arrays.limit - arrays.begin).max(), side="right"))
    by_load = int(np.searchsorted(np.cumsum(np.sort(arrays.load)), arrays.capacity.max(), side="right"))
    return max(1, min(n, by_time + 1, by_load + 1))


def set_orders(data: Data, orders: dict[int, list[int]]) -> None:
    """Starts the search from these stop numbers per crew-day."""
    data.stops["route"] = -1
    for number, order in orders.items():
        for node, stop in enumerate(order, start=1):
            data.stops[stop]["route"], data.stops[stop]["node"] = number, node
    reset(data.nodes, data.days, data.stops, data.travel, data.lo, data.hi, data.extra, data.absent, data.work)


def run_steps(data: Data, count: int, hot: float, cold: float) -> int:
    """Searches for `count` steps."""
    return int(steps(*data, count, hot, cold))


def best_orders(data: Data) -> dict[int, list[int]]:
    """The best plan met, as stop numbers per crew-day."""
    orders: dict[int, list[tuple[int, int]]] = {}
    for stop in np.flatnonzero(data.stops["best_route"] >= 0):
        place = data.stops[stop]
        orders.setdefault(int(place["best_route"]), []).append((int(place["best_node"]), int(stop)))
    return {number: [stop for _, stop in sorted(nodes)] for number, nodes in orders.items()}
