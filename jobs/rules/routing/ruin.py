"""
Ruin and recreate: the compiled heart of the search.

Strings of neighbouring stops are torn out of a few routes and put back greedily, with a
few places overlooked at random; a worse plan is kept with a probability that shrinks as
the search cools. Windows, lunch, skills, locks, load and overtime hold at every step.

Everything here is plain loops over arrays, compiled by numba where it is installed.

References
----------
.. [1] J. Christiaens, G. Vanden Berghe (2020). Slack Induction by String Removals for
       Vehicle Routing Problems. Transportation Science 54(2): 417-433.
       https://doi.org/10.1287/trsc.2019.0914
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from jobs.rules.routing.arrays import Arrays
from jobs.rules.routing.compiled import compiled, inlined

FAR = 1 << 40
LONG_AGO = -(1 << 40)
STRING = 10  # longest string torn out
SPLIT = 0.5  # how often a string keeps a middle part in place
DEEPER = 0.01  # how often that part grows by one
OVERLOOK = 0.01  # how often a place is overlooked


class Data(NamedTuple):
    """The problem, read only. Places are stops 0..n-1, then bases."""

    travel: np.ndarray  # (p, p) int32
    service: np.ndarray  # (n,)
    lo: np.ndarray  # (n, w)
    hi: np.ndarray  # (n, w)
    count: np.ndarray  # (n,) windows in use
    last: np.ndarray  # (n,) end of the last window
    load: np.ndarray  # (n,)
    priority: np.ndarray  # (n,)
    promised: np.ndarray  # (n,) end of the promised window
    near: np.ndarray  # (n, k) int32: the k nearest stops, nearest first
    may: np.ndarray  # (n, m) bool: the crew-day may take the stop
    days_of: np.ndarray  # crew-days per stop, one after another
    days_at: np.ndarray  # (n + 1,) where each stop's crew-days begin
    extra: np.ndarray  # (n, m), or (1, 1) where it is nothing
    begin: np.ndarray  # (m,) and so on
    end: np.ndarray
    limit: np.ndarray
    start_at: np.ndarray
    end_at: np.ndarray
    capacity: np.ndarray
    lunch_lo: np.ndarray
    lunch_hi: np.ndarray
    lunch_len: np.ndarray
    kind: np.ndarray
    weights: np.ndarray  # drive, paid, overtime, late
    flags: np.ndarray  # is plain (travel only), has lunch, has extra, look only near


class State(NamedTuple):
    """One searcher's plan and its scratch space."""

    seq: np.ndarray  # (m, n + 2) places: start, stops, end
    length: np.ndarray  # (m,) stops in each route
    leave0: np.ndarray  # earliest departures, lunch to come
    leave1: np.ndarray  # earliest departures, lunch over
    late0: np.ndarray  # latest arrivals, lunch to come
    late1: np.ndarray  # latest arrivals, lunch over
    load: np.ndarray  # (m,)
    cost: np.ndarray  # (m,)
    route: np.ndarray  # (n,) crew-day of each stop, -1 for none
    place: np.ndarray  # (n,) node of each stop in its route
    absent: np.ndarray  # (n,) stops in no route, the first totals[2]
    misses: np.ndarray  # (n,) how often each stop was left out
    totals: np.ndarray  # cost, priority left out, absent count, best cost, best priority left out
    best_route: np.ndarray
    best_place: np.ndarray
    marks: np.ndarray  # (3, max(m, n)) stamps
    stamp: np.ndarray  # (3,)
    days: np.ndarray  # (2m,) crew-days to look at
    touched: np.ndarray  # (m,) crew-days changed in this step
    old_seq: np.ndarray  # copies of those
    old_length: np.ndarray
    old_cost: np.ndarray
    old_load: np.ndarray
    old_absent: np.ndarray
    keys: np.ndarray  # (n,) sort keys
    random: np.ndarray  # (1,) uint64


@inlined
def next_random(random: np.ndarray) -> float:
    """The next number in [0, 1) of a xorshift generator."""
    x = random[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    random[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inlined
def start_from(lo: np.ndarray, hi: np.ndarray, count: int, stop: int, ready: int) -> int:
    """The first moment from `ready` on in a window of the stop, FAR if there is none."""
    found = FAR
    for w in range(count):
        if ready <= hi[stop, w]:
            found = max(ready, lo[stop, w])
            break
    return found


@inlined
def start_until(lo: np.ndarray, hi: np.ndarray, count: int, stop: int, bound: int) -> int:
    """The last moment up to `bound` in a window of the stop, LONG_AGO if there is none."""
    found = LONG_AGO
    for w in range(count - 1, -1, -1):
        if lo[stop, w] <= bound:
            found = min(bound, hi[stop, w])
            break
    return found


@compiled
def next_start(data: Data, stop: int, ready: int) -> int:
    """`start_from` of the data's windows."""
    return int(start_from(data.lo, data.hi, data.count[stop], stop, ready))


@compiled
def last_start(data: Data, stop: int, bound: int) -> int:
    """`start_until` of the data's windows."""
    return int(start_until(data.lo, data.hi, data.count[stop], stop, bound))


@compiled
def retime(data: Data, state: State, r: int, first: int, final: int) -> None:
    """Earliest departures from node `first` on, latest arrivals from node `final` back."""
    if data.lunch_len[r] > 0:
        retime_lunch(data, state, r)
    else:
        retime_plain(
            state.seq, state.leave1, state.late1, state.length[r], data.travel, data.service, data.lo, data.hi,
            data.count, data.begin[r], data.limit[r], r, first, final,
        )  # fmt: skip


@compiled
def retime_plain(
    seq: np.ndarray, leave: np.ndarray, late: np.ndarray, n: int, travel: np.ndarray, service: np.ndarray,
    lo: np.ndarray, hi: np.ndarray, windows: np.ndarray, begin: int, limit: int, r: int, first: int, final: int,
) -> None:  # fmt: skip
    """`retime` of a day without lunch."""
    if first <= 0:
        leave[r, 0] = begin
        first = 1
    before = seq[r, first - 1]
    at = leave[r, first - 1]
    for k in range(first, n + 1):
        stop = seq[r, k]
        at = min(start_from(lo, hi, windows[stop], stop, at + travel[before, stop]) + service[stop], FAR)
        leave[r, k] = at
        before = stop
    if final > n:
        late[r, n + 1] = limit
        final = n
    after = seq[r, final + 1]
    at = late[r, final + 1]
    for k in range(final, 0, -1):
        stop = seq[r, k]
        at = start_until(lo, hi, windows[stop], stop, at - travel[stop, after] - service[stop])
        late[r, k] = at
        after = stop


@compiled
def after_drive(lo: int, hi: int, length: int, leave0: int, leave1: int, drive: int) -> int:
    """When work could start after a drive with lunch over, eaten before or after it if need be."""
    ready = leave1 + drive
    if leave0 < FAR:
        eat = max(leave0, lo)
        if eat <= hi:
            ready = min(ready, eat + length + drive)
        eat = max(leave0 + drive, lo)
        if eat <= hi:
            ready = min(ready, eat + length)
    return ready


@compiled
def retime_lunch(data: Data, state: State, r: int) -> None:
    """The same for a day with lunch, whole route."""
    lo, hi, length, n = data.lunch_lo[r], data.lunch_hi[r], data.lunch_len[r], state.length[r]
    seq, travel = state.seq[r], data.travel
    leave0, leave1, late0, late1 = state.leave0[r], state.leave1[r], state.late0[r], state.late1[r]
    leave0[0] = data.begin[r]
    leave1[0] = max(data.begin[r], lo + length)
    for k in range(1, n + 1):
        stop = seq[k]
        drive = travel[seq[k - 1], stop]
        ready = after_drive(lo, hi, length, leave0[k - 1], leave1[k - 1], drive)
        leave0[k] = min(next_start(data, stop, leave0[k - 1] + drive) + data.service[stop], FAR)
        leave1[k] = min(next_start(data, stop, ready) + data.service[stop], FAR)
    late1[n + 1] = data.limit[r]
    late0[n + 1] = min(data.limit[r], hi)
    for k in range(n, 0, -1):
        stop = seq[k]
        drive = travel[stop, seq[k + 1]]
        off1 = late1[k + 1] - drive
        off0 = late0[k + 1] - drive
        eat = min(off1 - length, hi)
        if eat >= lo:
            off0 = max(off0, eat)
        late1[k] = last_start(data, stop, off1 - data.service[stop])
        late0[k] = last_start(data, stop, off0 - data.service[stop])
        eat = min(late1[k] - length, hi)
        if eat >= lo:
            late0[k] = max(late0[k], eat)


@compiled
def route_cost(data: Data, state: State, r: int) -> int:
    """What the route costs by the objective; exact without lunch, and close to it with."""
    n = state.length[r]
    if n == 0:
        return 0
    seq, travel = state.seq[r], data.travel
    drive = 0
    for k in range(n + 1):
        drive += travel[seq[k], seq[k + 1]]
    cost = data.weights[0] * drive
    if data.flags[2]:
        for k in range(1, n + 1):
            cost += data.extra[seq[k], r]
    if data.flags[0]:
        return cost
    return cost + time_cost(data, state, r)


@compiled
def time_cost(data: Data, state: State, r: int) -> int:
    """Paid time, overtime and lateness: back as early as can be, leaving as late as that allows."""
    n, seq, travel = state.length[r], state.seq[r], data.travel
    lo, hi, length = data.lunch_lo[r], data.lunch_hi[r], data.lunch_len[r]
    drive = travel[seq[n], seq[n + 1]]
    back = state.leave1[r, n] + drive
    if length > 0:
        eat = max(state.leave0[r, n], lo)
        if eat <= hi:
            back = min(back, eat + length + drive)
        home = state.leave0[r, n] + drive
        if home <= hi:
            back = min(back, home)
    off1 = back
    off0 = min(back, hi) if length > 0 else LONG_AGO
    for k in range(n, -1, -1):
        drive = travel[seq[k], seq[k + 1]]
        off1 -= drive
        off0 -= drive
        if length > 0:
            eat = min(off1 - length, hi)
            if eat >= lo:
                off0 = max(off0, eat)
        if k == 0:
            break
        stop = seq[k]
        off1 = last_start(data, stop, off1 - data.service[stop])
        off0 = last_start(data, stop, off0 - data.service[stop])
        if length > 0:
            eat = min(off1 - length, hi)
            if eat >= lo:
                off0 = max(off0, eat)
    if length > 0 and off1 < lo + length:
        off1 = LONG_AGO
    depart = max(data.begin[r], max(off0, off1))
    cost = data.weights[1] * (back - depart) + data.weights[2] * max(0, back - data.end[r])
    if data.weights[3]:
        at = depart
        for k in range(1, n + 1):  # lunch is left out of lateness: the exact referee adds it
            stop = seq[k]
            at = next_start(data, stop, at + travel[seq[k - 1], stop])
            cost += data.weights[3] * max(0, at - data.promised[stop])
            at += data.service[stop]
    return cost


@compiled
def reset(data: Data, state: State) -> None:
    """Builds routes, times, costs and totals from `state.route` and `state.place`."""
    n, m = len(data.service), len(data.begin)
    for r in range(m):
        state.length[r] = 0
        state.load[r] = 0
    for stop in range(n):
        r = state.route[stop]
        if r >= 0:
            state.length[r] += 1
            state.load[r] += data.load[stop]
            state.seq[r, state.place[stop]] = stop
    state.totals[0] = 0
    for r in range(m):
        state.seq[r, 0] = data.start_at[r]
        state.seq[r, state.length[r] + 1] = data.end_at[r]
        retime(data, state, r, 0, state.length[r] + 1)
        state.cost[r] = route_cost(data, state, r)
        state.totals[0] += state.cost[r]
    state.totals[1] = 0
    state.totals[2] = 0
    for stop in range(n):
        if state.route[stop] < 0:
            state.totals[1] += data.priority[stop]
            state.absent[state.totals[2]] = stop
            state.totals[2] += 1
    keep_best(state)


@compiled
def keep_best(state: State) -> None:
    """Remembers the plan as it is."""
    state.totals[3] = state.totals[0]
    state.totals[4] = state.totals[1]
    state.best_route[:] = state.route
    state.best_place[:] = state.place


@compiled
def touch(state: State, r: int, count: int) -> int:
    """Copies a crew-day before its first change in this step; the number copied so far."""
    if state.marks[0, r] == state.stamp[0]:
        return count
    state.marks[0, r] = state.stamp[0]
    state.touched[count] = r
    n = state.length[r]
    state.old_length[count] = n
    state.old_cost[count] = state.cost[r]
    state.old_load[count] = state.load[r]
    for k in range(1, n + 1):
        state.old_seq[count, k] = state.seq[r, k]
    return count + 1


@compiled
def undo(data: Data, state: State, count: int, absent: int) -> None:
    """Puts the copied crew-days and the absent stops back."""
    for i in range(state.totals[2]):
        state.route[state.absent[i]] = -1
    for i in range(count):
        r = state.touched[i]
        n = state.old_length[i]
        state.length[r] = n
        state.cost[r] = state.old_cost[i]
        state.load[r] = state.old_load[i]
        for k in range(1, n + 1):
            stop = state.old_seq[i, k]
            state.seq[r, k] = stop
            state.route[stop] = r
            state.place[stop] = k
        state.seq[r, n + 1] = data.end_at[r]
        retime(data, state, r, 0, n + 1)
    state.totals[2] = absent
    for i in range(absent):
        state.absent[i] = state.old_absent[i]
        state.route[state.old_absent[i]] = -1


@compiled
def tear_string(data: Data, state: State, stop: int, length: int) -> None:
    """Takes a string of `length` stops with `stop` in it out of its route, or leaves a middle part of it."""
    r = state.route[stop]
    n, at = state.length[r], state.place[stop]
    kept = 0
    if length > 1 and length < n and next_random(state.random) < SPLIT:
        kept = 1
        while length + kept < n and next_random(state.random) < DEEPER:
            kept += 1
    span = length + kept
    first_low = max(1, at - span + 1)
    first_high = min(at, n - span + 1)
    first = first_low + int(next_random(state.random) * (first_high - first_low + 1))
    hold_from, hold_to = -1, -1
    if kept:
        offset = 1 + int(next_random(state.random) * max(1, length - 1))
        hold_from = first + offset
        hold_to = hold_from + kept
    seq = state.seq[r]
    write = first
    for k in range(first, n + 2):
        place = seq[k]
        if k < first + span and not (hold_from <= k < hold_to):
            state.route[place] = -1
            state.absent[state.totals[2]] = place
            state.totals[2] += 1
            state.load[r] -= data.load[place]
        else:
            seq[write] = place
            if k <= n:
                state.place[place] = write
            write += 1
    state.length[r] = n - length
    retime(data, state, r, 0, n - length + 1)


@compiled
def ruin(data: Data, state: State, size: float) -> int:
    """Tears strings out of neighbouring routes; the number of crew-days touched."""
    n, m = len(data.service), len(data.begin)
    placed, used = n - state.totals[2], 0
    for r in range(m):
        if state.length[r] > 0:
            used += 1
    if used == 0:
        return 0
    longest = min(float(STRING), placed / used)
    strings = 4.0 * size / (1.0 + longest) - 1.0
    strings = int(next_random(state.random) * strings + 1.0)
    seed = int(next_random(state.random) * n)
    count = 0
    if state.route[seed] >= 0:
        count = tear_near(data, state, seed, longest, count)
    for i in range(data.near.shape[1]):
        if count >= strings:
            break
        stop = data.near[seed, i]
        r = state.route[stop]
        if r >= 0 and state.marks[0, r] != state.stamp[0]:
            count = tear_near(data, state, stop, longest, count)
    return count


@compiled
def tear_near(data: Data, state: State, stop: int, longest: float, count: int) -> int:
    """Tears one string at the stop."""
    r = state.route[stop]
    count = touch(state, r, count)
    most = min(float(state.length[r]), longest)
    length = int(next_random(state.random) * most + 1.0)
    tear_string(data, state, stop, min(length, state.length[r]))
    return count


@compiled
def sort_absent(data: Data, state: State) -> None:
    """Puts the absent stops in a random one of several orders."""
    n = state.totals[2]
    pick = next_random(state.random) * 14.0
    for i in range(n):
        stop = state.absent[i]
        noise = next_random(state.random)
        if pick < 4.0:
            key = noise
        elif pick < 6.0:
            key = -float(data.load[stop])
        elif pick < 8.0:
            key = -float(data.travel[data.start_at[0], stop])
        elif pick < 9.0:
            key = float(data.travel[data.start_at[0], stop])
        elif pick < 10.5:
            key = 0.0
            for w in range(data.count[stop]):
                key += min(float(data.hi[stop, w] - data.lo[stop, w]), 1e9)
        elif pick < 12.0:
            key = float(data.lo[stop, 0])
        elif pick < 13.0:
            key = -float(data.last[stop])
        else:
            key = -float(data.service[stop])
        state.keys[i] = key + noise * 1e-3
    for i in range(1, n):  # few stops: insertion sort
        key, stop, j = state.keys[i], state.absent[i], i - 1
        while j >= 0 and state.keys[j] > key:
            state.keys[j + 1] = state.keys[j]
            state.absent[j + 1] = state.absent[j]
            j -= 1
        state.keys[j + 1] = key
        state.absent[j + 1] = stop


@compiled
def best_place_lunch(data: Data, state: State, stop: int, r: int, best: int) -> tuple[int, int]:
    """The cheapest legal node in a day with lunch, below the price `best`, and the price; -1 for none."""
    found = -1
    seq, travel, service = state.seq[r], data.travel, data.service[stop]
    lo, hi, length = data.lunch_lo[r], data.lunch_hi[r], data.lunch_len[r]
    leave0, leave1, late0, late1 = state.leave0[r], state.leave1[r], state.late0[r], state.late1[r]
    weight = data.weights[0] + data.weights[1]
    extra = data.extra[stop, r] if data.flags[2] else 0
    empty = state.length[r] == 0
    for k in range(state.length[r] + 1):
        a, b = seq[k], seq[k + 1]
        there, onward = travel[a, stop], travel[stop, b]
        price = weight * (there + onward - (0 if empty else travel[a, b])) + extra
        if price >= best:
            continue
        ready = after_drive(lo, hi, length, leave0[k], leave1[k], there)
        done1 = next_start(data, stop, ready) + service
        done0 = next_start(data, stop, leave0[k] + there) + service
        legal = done1 + onward <= late1[k + 1] or done0 + onward <= late0[k + 1]
        if not legal:
            eat = max(done0, lo)
            legal = eat <= hi and eat + length + onward <= late1[k + 1]
        if not legal or next_random(state.random) < OVERLOOK:
            continue
        best, found = price, k
    return found, best


@compiled
def put(
    seq: np.ndarray, late: np.ndarray, length: np.ndarray, route: np.ndarray, place: np.ndarray, stop: int, r: int,
    node: int,
) -> None:  # fmt: skip
    """Puts the stop after node `node` of the route; times follow in `retime`."""
    n = length[r]
    for k in range(n + 1, node, -1):
        moved = seq[r, k]
        seq[r, k + 1] = moved
        late[r, k + 1] = late[r, k]
        if k <= n:
            place[moved] = k + 1
    seq[r, node + 1] = stop
    route[stop] = r
    place[stop] = node + 1
    length[r] = n + 1


@compiled
def recreate(data: Data, state: State, count: int) -> int:
    """Puts absent stops back where they cost least; the number of crew-days touched."""
    total = state.totals[2]
    left = 0
    for i in range(total):
        stop = state.absent[i]
        best_r, best_k = -1, -1
        if data.flags[3]:
            best_r, best_k = cheapest(data, state, stop, near_days(data, state, stop))
        if best_r < 0:
            best_r, best_k = cheapest(data, state, stop, all_days(data, state, stop))
        if best_r < 0:
            state.absent[left] = stop
            left += 1
            continue
        count = touch(state, best_r, count)
        put(state.seq, state.late1, state.length, state.route, state.place, stop, best_r, best_k)
        state.load[best_r] += data.load[stop]
        retime(data, state, best_r, best_k + 1, best_k + 1)
    state.totals[2] = left
    return count


@compiled
def all_days(data: Data, state: State, stop: int) -> int:
    """Lists every crew-day for the stop in `state.days`, of empty ones that are alike only the first."""
    state.stamp[1] += 1
    count = 0
    for i in range(data.days_at[stop], data.days_at[stop + 1]):
        r = data.days_of[i]
        if state.length[r] == 0:
            if state.marks[1, data.kind[r]] == state.stamp[1]:
                continue
            state.marks[1, data.kind[r]] = state.stamp[1]
        state.days[count] = r
        count += 1
    return count


@compiled
def near_days(data: Data, state: State, stop: int) -> int:
    """Lists the crew-days that have a near stop, and one empty one of each kind."""
    state.stamp[1] += 1
    state.stamp[2] += 1
    count = 0
    for i in range(min(data.flags[3], data.near.shape[1])):
        r = state.route[data.near[stop, i]]
        if r >= 0 and state.marks[2, r] != state.stamp[2]:
            state.marks[2, r] = state.stamp[2]
            if data.may[stop, r]:
                state.days[count] = r
                count += 1
    for i in range(data.days_at[stop], data.days_at[stop + 1]):
        r = data.days_of[i]
        if state.length[r] == 0 and state.marks[1, data.kind[r]] != state.stamp[1]:
            state.marks[1, data.kind[r]] = state.stamp[1]
            state.days[count] = r
            count += 1
    return count


@compiled
def cheapest(data: Data, state: State, stop: int, count: int) -> tuple[int, int]:
    """The cheapest legal crew-day and node among the first `count` of `state.days`; (-1, -1) for none."""
    if not data.flags[1]:
        return cheapest_plain(
            state.days, count, state.seq, state.length, state.leave1, state.late1, state.load, data.capacity,
            data.travel, data.lo, data.hi, data.count[stop], data.last[stop], data.service[stop], data.load[stop],
            data.extra, data.flags[2], data.weights, state.random, stop,
        )  # fmt: skip
    best, best_r, best_k = FAR, -1, -1
    for i in range(count):
        r = state.days[i]
        if state.load[r] + data.load[stop] <= data.capacity[r]:
            k, price = best_place_lunch(data, state, stop, r, best)
            if k >= 0:
                best, best_r, best_k = price, r, k
    return best_r, best_k


@compiled
def cheapest_plain(
    days: np.ndarray, count: int, seq: np.ndarray, length: np.ndarray, leave: np.ndarray, late: np.ndarray,
    carried: np.ndarray, capacity: np.ndarray, travel: np.ndarray, lo: np.ndarray, hi: np.ndarray, windows: int,
    last: int, service: int, load: int, extras: np.ndarray, has_extra: int, weights: np.ndarray, random: np.ndarray,
    stop: int,
) -> tuple[int, int]:  # fmt: skip
    """`cheapest` where no day has lunch: the loop in which the search spends its time."""
    best, best_r, best_k = FAR, -1, -1
    paid = weights[1]
    weight = weights[0] + paid
    first = lo[stop, 0]
    for i in range(count):
        r = days[i]
        if carried[r] + load > capacity[r]:
            continue
        extra = extras[stop, r] if has_extra else 0
        a = seq[r, 0]
        empty = length[r] == 0
        for k in range(length[r] + 1):
            b = seq[r, k + 1]
            leaving = leave[r, k]
            if leaving > last:
                break
            there = travel[a, stop]
            onward = travel[stop, b]
            price = weight * (there + onward - (0 if empty else travel[a, b])) + extra
            a = b
            bound = late[r, k + 1] - onward - service
            if price >= best or bound < first:
                continue
            ready = leaving + there
            if ready > bound:
                continue
            start = start_from(lo, hi, windows, stop, ready)
            if start > bound:
                continue
            if paid and k > 0:
                price += paid * (start - ready)
                if price >= best:
                    continue
            if next_random(random) < OVERLOOK:
                continue
            best, best_r, best_k = price, r, k
    return best_r, best_k


@compiled
def settle(data: Data, state: State, count: int) -> tuple[int, int]:
    """Cost and priority left out after the step; touched routes get their cost."""
    cost = state.totals[0]
    for i in range(count):
        r = state.touched[i]
        state.cost[r] = route_cost(data, state, r)
        cost += state.cost[r] - state.old_cost[i]
    left = 0
    for i in range(state.totals[2]):
        left += data.priority[state.absent[i]]
    return cost, left


@compiled
def is_kept(state: State, cost: int, left: int, absent: int, heat: float) -> bool:
    """Whether the new plan replaces the current one."""
    if left == state.totals[1]:
        return cost < state.totals[0] - heat * np.log(next_random(state.random) + 1e-300)
    if left < state.totals[1]:
        return True
    new, old = 0, 0
    for i in range(state.totals[2]):
        new += state.misses[state.absent[i]]
    for i in range(absent):
        old += state.misses[state.old_absent[i]]
    return new < old


@compiled
def search(data: Data, state: State, steps: int, hot: float, cold: float, size: float) -> int:
    """
    `steps` steps, cooling from `hot` to `cold`; how many steps were kept.

    `state.best_route` and `state.best_place` hold the best plan met.
    """
    kept = 0
    heat = hot
    rate = (cold / hot) ** (1.0 / max(1, steps))
    for _ in range(steps):
        state.stamp[0] += 1
        absent = state.totals[2]
        for i in range(absent):
            state.old_absent[i] = state.absent[i]
        count = ruin(data, state, size)
        sort_absent(data, state)
        count = recreate(data, state, count)
        cost, left = settle(data, state, count)
        for i in range(state.totals[2]):
            state.misses[state.absent[i]] += 1
        if is_kept(state, cost, left, absent, heat):
            kept += 1
            state.totals[0] = cost
            state.totals[1] = left
            if left < state.totals[4] or (left == state.totals[4] and cost < state.totals[3]):
                keep_best(state)
        else:
            undo(data, state, count, absent)
        heat *= rate
    return kept


# -- making Data and State -----------------------------------------------------


def data_of(arrays: Arrays, weights: tuple[int, int, int, int], look: int = 0, neighbours: int = 1000) -> Data:
    """The arrays as the search reads them. `look` > 0: recreate among that many near stops' routes."""
    n = len(arrays.service)
    travel = arrays.travel.astype(np.int32)
    between = (travel[:n, :n] + travel[:n, :n].T).astype(np.int64)
    np.fill_diagonal(between, np.iinfo(np.int64).max)
    k = min(n - 1, neighbours)
    near = np.argsort(between, axis=1, kind="stable")[:, :k].astype(np.int32)
    days_of = [np.flatnonzero(row) for row in arrays.allowed]
    has_extra = bool(arrays.extra.any())
    plain = not any(weights[1:])
    return Data(
        travel=np.ascontiguousarray(travel),
        service=arrays.service,
        lo=arrays.open_lo,
        hi=arrays.open_hi,
        count=(arrays.open_hi >= 0).sum(axis=1).astype(np.int64),
        last=arrays.open_hi.max(axis=1, initial=-1),
        load=arrays.load,
        priority=arrays.priority,
        promised=arrays.promised_end,
        near=near,
        may=arrays.allowed,
        days_of=np.concatenate([*days_of, np.zeros(0, np.int64)]).astype(np.int64),
        days_at=np.concatenate([[0], np.cumsum([len(d) for d in days_of])]).astype(np.int64),
        extra=arrays.extra if has_extra else np.zeros((1, 1), np.int64),
        begin=arrays.begin,
        end=arrays.end,
        limit=arrays.limit,
        start_at=arrays.start_at,
        end_at=arrays.end_at,
        capacity=arrays.capacity,
        lunch_lo=arrays.lunch_lo,
        lunch_hi=arrays.lunch_hi,
        lunch_len=arrays.lunch_len,
        kind=arrays.kind,
        weights=np.array(weights, dtype=np.int64),
        flags=np.array([plain, bool(arrays.lunch_len.any()), has_extra, look], dtype=np.int64),
    )


def state_of(data: Data, seed: int) -> State:
    """An empty plan and scratch space."""
    n, m = len(data.service), len(data.begin)
    width, most = n + 4, max(n, m, 1)
    ints: Any = np.int64
    lunch = width if data.flags[1] else 1

    def zeros(*shape: int, kind: Any = ints) -> np.ndarray:
        return np.zeros(shape, dtype=kind)

    mix = (seed * 0x9E3779B97F4A7C15 + 0xD1B54A32D192ED03) % (1 << 64)
    return State(
        seq=zeros(m, width, kind=np.int32),
        length=zeros(m),
        leave0=zeros(m, lunch),
        leave1=zeros(m, width),
        late0=zeros(m, lunch),
        late1=zeros(m, width),
        load=zeros(m),
        cost=zeros(m),
        route=np.full(n, -1, dtype=ints),
        place=zeros(n),
        absent=zeros(n + 1),
        misses=np.ones(n, dtype=ints),
        totals=zeros(5),
        best_route=np.full(n, -1, dtype=ints),
        best_place=zeros(n),
        marks=zeros(3, most),
        stamp=zeros(3),
        days=zeros(2 * m),
        touched=zeros(m),
        old_seq=zeros(m, width, kind=np.int32),
        old_length=zeros(m),
        old_cost=zeros(m),
        old_load=zeros(m),
        old_absent=zeros(n + 1),
        keys=np.zeros(n + 1, dtype=np.float64),
        random=np.array([mix or 1], dtype=np.uint64),
    )


def set_plan(data: Data, state: State, orders: dict[int, list[int]]) -> None:
    """Starts the search from these stop numbers per crew-day."""
    state.route[:] = -1
    for number, order in orders.items():
        for node, stop in enumerate(order, start=1):
            state.route[stop], state.place[stop] = number, node
    reset(data, state)


def best_orders(state: State) -> dict[int, list[int]]:
    """The best plan met, as stop numbers per crew-day."""
    orders: dict[int, list[tuple[int, int]]] = {}
    for stop in np.flatnonzero(state.best_route >= 0):
        orders.setdefault(int(state.best_route[stop]), []).append((int(state.best_place[stop]), int(stop)))
    return {number: [stop for _, stop in sorted(nodes)] for number, nodes in orders.items()}
