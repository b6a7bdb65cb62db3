"""Do the names in a manifest lead anywhere? Works on tables of any shape."""

from collections.abc import Iterator

from pydantic import JsonValue

from pipeline.models.mistakes import Mistake, Raw, place_of, unknown
from pipeline.models.plan import DI_NAME, capture_ids, chain_of

MOST_SEARCHED = 5
"""How many parts a blend may have whose gains are searched."""


def _dicts(value: JsonValue) -> dict[str, dict[str, JsonValue]]:
    if not isinstance(value, dict):
        return {}
    return {name: item for name, item in value.items() if isinstance(item, dict)}


def reference_mistakes(raw: Raw, *, sheet_unread: bool = False) -> list[Mistake]:
    """Check the names that tables call each other by.

    Parameters
    ----------
    raw : mapping
        The parsed manifest; whatever has the wrong shape is passed over.
    sheet_unread : bool
        True where a take sheet has captures that are not in `raw`: then every name may
        be a capture's.

    Returns
    -------
    list of Mistake
        Unknown set-ups, mics, cabinets, speakers and captures, circles of `like`,
        ids used twice, blends that cannot be searched.
    """
    names = {table: _dicts(raw.get(table, {})) for table in ("setup", "mic", "cabinet")}
    captures = _entries(raw, "capture")
    ids = capture_ids([_identity(entry) for _, entry in captures])
    mistakes = [
        *_like_mistakes("setup", names["setup"]),
        *_like_mistakes("mic", names["mic"]),
        *_cabinet_mistakes(names),
        *_id_mistakes(raw, captures, ids),
    ]
    known = None if sheet_unread else ids
    if not sheet_unread and not raw.get("capture"):
        where = "capture" if raw.get("takes") is None else str(raw["takes"])
        mistakes.append(Mistake(where, "no capture is in it; at least one is needed"))
    for index, entry in captures:
        mistakes += _capture_mistakes(raw, index, entry, names)
    mistakes += _blend_mistakes(raw, ids, known)
    reference = _dicts(dict(raw)).get("compare", {}).get("reference")
    mistakes += _stranger("[compare], reference", reference, known)
    return mistakes


def _stranger(
    where: str, found: JsonValue, known: list[str] | None
) -> Iterator[Mistake]:
    if known is not None and isinstance(found, str) and found not in known:
        yield unknown(where, found, "capture", known)


def _entries(raw: Raw, table: str) -> list[tuple[int, dict[str, JsonValue]]]:
    entries = raw.get(table)
    if not isinstance(entries, list):
        return []
    return [(i, entry) for i, entry in enumerate(entries) if isinstance(entry, dict)]


def _identity(entry: dict[str, JsonValue]) -> tuple[str, str, int, bool]:
    id_, file, channel = entry.get("id"), entry.get("file"), entry.get("channel")
    return (
        id_ if isinstance(id_, str) else "",
        file if isinstance(file, str) else "",
        channel if isinstance(channel, int) else 1,
        channel is not None,
    )


def _like_mistakes(
    table: str, entries: dict[str, dict[str, JsonValue]]
) -> Iterator[Mistake]:
    likes = {
        name: like if isinstance(like := entry.get("like"), str) else None
        for name, entry in entries.items()
    }
    for name, like in likes.items():
        where = f"[{table}.{name}], like"
        if like is None:
            continue
        if like not in entries:
            yield unknown(where, like, table, list(entries))
            continue
        last = chain_of(name, likes)[-1]
        if likes[last] is not None and likes[last] in entries:
            yield Mistake(where, f"found {like!r}, which leads back in a circle")


def _cabinet_mistakes(
    names: dict[str, dict[str, dict[str, JsonValue]]],
) -> Iterator[Mistake]:
    known = list(names["cabinet"])
    for name, entry in names["setup"].items():
        cabinet = entry.get("cabinet")
        if isinstance(cabinet, str) and cabinet not in known:
            yield unknown(f"[setup.{name}], cabinet", cabinet, "cabinet", known)


def _id_mistakes(
    raw: Raw, captures: list[tuple[int, dict[str, JsonValue]]], ids: list[str]
) -> Iterator[Mistake]:
    first: dict[str, int] = {}
    for (index, entry), id_ in zip(captures, ids, strict=True):
        where = place_of(raw, ("capture", index, "id"))
        how = "" if "id" in entry else " (made from the file's name)"
        if not id_ and entry.get("file"):
            yield Mistake(
                place_of(raw, ("capture", index, "file")),
                f"found {entry['file']!r}, which names no file",
            )
        elif id_ == DI_NAME:
            yield Mistake(where, f"{id_!r}{how} is the DI's own name; choose another")
        elif id_ in first:
            yield Mistake(
                where,
                f"{id_!r}{how} is already the id of [[capture]] {first[id_] + 1}; "
                "give each capture its own id",
            )
        elif id_:
            first[id_] = index


def _capture_mistakes(
    raw: Raw,
    index: int,
    entry: dict[str, JsonValue],
    names: dict[str, dict[str, dict[str, JsonValue]]],
) -> Iterator[Mistake]:
    for table in ("setup", "mic"):
        found = entry.get(table)
        if isinstance(found, str) and found not in names[table]:
            where = place_of(raw, ("capture", index, table))
            yield unknown(where, found, table, list(names[table]))
    speaker, setup = entry.get("speaker"), entry.get("setup")
    if isinstance(speaker, str) and isinstance(setup, str):
        known = _speakers(setup, names)
        if known and speaker not in known:
            where = place_of(raw, ("capture", index, "speaker"))
            yield unknown(where, speaker, "speaker of its cabinet", known)


def _speakers(
    setup: str, names: dict[str, dict[str, dict[str, JsonValue]]]
) -> list[str]:
    likes = {
        name: like if isinstance(like := entry.get("like"), str) else None
        for name, entry in names["setup"].items()
    }
    for ancestor in chain_of(setup, likes):
        cabinet = names["setup"][ancestor].get("cabinet")
        if isinstance(cabinet, str):
            listed = names["cabinet"].get(cabinet, {}).get("speakers")
            entries = listed if isinstance(listed, list) else []
            return [str(e["id"]) for e in entries if isinstance(e, dict) and "id" in e]
    return []


def _blend_mistakes(
    raw: Raw, ids: list[str], known: list[str] | None
) -> Iterator[Mistake]:
    taken = {*ids, DI_NAME}
    for index, blend in _entries(raw, "blend"):
        id_ = blend.get("id")
        if isinstance(id_, str):
            if id_ in taken:
                where = place_of(raw, ("blend", index, "id"))
                yield Mistake(where, f"{id_!r} is already taken; choose another id")
            taken.add(id_)
        listed = blend.get("parts")
        parts = listed if isinstance(listed, list) else []
        yield from _part_mistakes(raw, index, parts, known)
        wanted = blend.get("nearest")
        if isinstance(wanted, dict):
            yield from _wanted_mistakes(raw, index, wanted, known)
            yield from _search_mistakes(raw, index, parts)


def _part_mistakes(
    raw: Raw, index: int, parts: list[JsonValue], known: list[str] | None
) -> Iterator[Mistake]:
    seen = set()
    for number, part in enumerate(parts):
        found = part.get("capture") if isinstance(part, dict) else None
        if not isinstance(found, str):
            continue
        where = place_of(raw, ("blend", index, "parts", number, "capture"))
        if found in seen:
            yield Mistake(where, f"{found!r} is in this blend already; name it once")
        else:
            yield from _stranger(where, found, known)
        seen.add(found)


def _wanted_mistakes(
    raw: Raw, index: int, wanted: dict[str, JsonValue], known: list[str] | None
) -> Iterator[Mistake]:
    where = place_of(raw, ("blend", index, "nearest"))
    if ("capture" in wanted) is ("file" in wanted):
        yield Mistake(where, "expected either `capture` or `file`: the tone wanted")
    else:
        yield from _stranger(where, wanted.get("capture"), known)


def _search_mistakes(raw: Raw, index: int, parts: list[JsonValue]) -> Iterator[Mistake]:
    where = place_of(raw, ("blend", index, "nearest"))
    if len(parts) > MOST_SEARCHED:
        yield Mistake(
            where,
            f"found {len(parts)} parts; the gains of {MOST_SEARCHED} at most are "
            "searched",
        )
    for number, part in enumerate(parts):
        if isinstance(part, dict) and "gain_db" in part:
            yield Mistake(
                place_of(raw, ("blend", index, "parts", number, "gain_db")),
                "the gains are searched where `nearest` is given; leave this one out",
            )
