"""Frozen cameras in an archive: the same pixels again with a later time, or on a later page of the same stack.

No worker can see this, since each sees one file only, and files come in any order. So it is told from all rows once
they are there; a file of which it is true is judged once more, knowing it. The end does not depend on the order.
"""

from ..frame import FILE_TIME
from ..store import Store
from .tables import TO_DO

# A copy of a file, with the same time or with none but the file's own, is no frozen camera; as in judging.
_FROZEN = """
create temp table frozen_now as
select key, group_concat(place) as places from (
  select key, place, taken_unix, taken_at_source,
    min(place) over (partition by digest, key) as first_place,
    min(case when taken_at_source <> :file_time then taken_unix end) over (partition by digest) as first_time
  from audit_pictures
  where audit = :audit and digest in (
    select digest from audit_pictures where audit = :audit and digest is not null group by digest having count(*) > 1)
  order by key, place)
where place > first_place or (taken_at_source <> :file_time and taken_unix > first_time)
group by key
"""


def mark_frozen(store: Store, audit: int) -> int:
    """Mark the files with frozen pages to be judged again; returns how many differ from what they were judged as."""
    with store.transaction():
        store.execute("drop table if exists temp.frozen_now")
        store.execute(_FROZEN, {"audit": audit, "file_time": FILE_TIME})
        store.execute("create unique index temp.frozen_key on frozen_now (key)")
        told = "(select places from temp.frozen_now as n where n.key = audit_files.key)"
        # Of files that are read page by page only what differs is done again: a page over which a worker had to be
        # stopped would cost that time again.
        paged = store.all(
            f"select key, frozen, {told} as now from audit_files "  # noqa: S608
            f"where audit = ? and pages is not null and frozen is not {told}",
            (audit,),
        )
        for row in paged:
            other = set(pages_of(row["frozen"])) ^ set(pages_of(row["now"]))
            store.execute_many(
                "delete from audit_pictures where audit = ? and key = ? and place = ?",
                [(audit, row["key"], place) for place in other],
            )
        changed = store.execute(
            f"update audit_files set frozen = {told}, state = {TO_DO}, next_page = 0 "  # noqa: S608 no outside text
            f"where audit = ? and frozen is not {told}",
            (audit,),
        )
        store.execute("drop table temp.frozen_now")
    return changed


def pages_of(text: str | None) -> tuple[int, ...]:
    """The pages in the column ``frozen``."""
    return tuple(int(p) for p in text.split(",")) if text else ()
