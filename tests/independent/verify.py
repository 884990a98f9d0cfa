#!/usr/bin/env python3
"""Checks a Tallyseal record without any of its software.

    verify.py PATH.zip|dump.jsonl [--key VKEY] [--checkpoint FILE]... [--witness-key KEY]... [--policy FILE]
              [--time-stamp FILE]... [--json]

Written from schema/FORMAT.md alone, on Python 3.11 and the package `cryptography`. It shares no code with the
server, so a defect in one is not a defect in both. Exit status 0: every check holds; 1: a fault; 2: it could not run.

The order of this file is that of FORMAT.md: bytes, hashes, notes, signatures, plugins, ZIP; then the checks.
"""

import argparse
import base64
import binascii
import datetime
import hashlib
import json
import re
import struct
import sys
import tomllib
import zlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

# --- The two tables of FORMAT.md, row by row as they stand there (sections 1 and 4).

KIND_ROWS = """
| `book.opened` | 1 | book | yes |
| `book.key_enrolled` | 1 | book | no |
| `book.key_compromised` | 1 | book | no |
| `book.started` | 1 | book | no |
| `clock.stepped` | 1 | book | no |
| `access.refused` | 1 | book | no |
| `book.witnesses_named` | 1 | book | no |
| `book.witness_lost` | 1 | book | no |
| `book.witness_back` | 1 | book | no |
| `book.fork_seen` | 1 | book | no |
| `book.receipt_contradicted` | 1 | book | no |
| `book.time_authority_named` | 1 | book | no |
| `book.time_stamp_lost` | 1 | book | no |
| `book.time_stamp_back` | 1 | book | no |
| `account.enrolled` | 1 | account | yes |
| `account.roles_changed` | 1 | account | no |
| `account.disabled` | 1 | account | no |
| `account.key_enrolled` | 1 | account | yes |
| `account.key_retired` | 1 | account | no |
| `account.key_compromised` | 1 | account | no |
| `account.password_changed` | 1 | account | no |
| `account.password_reset` | 1 | account | no |
| `account.locked` | 1 | account | no |
| `account.unlocked` | 1 | account | no |
| `session.opened` | 1 | session | no |
| `session.ended` | 1 | session | no |
| `session.locked` | 1 | session | no |
| `session.unlocked` | 1 | session | no |
| `session.password_refused` | 1 | session | no |
| `act.refused` | 1 | session, station | no |
| `signature.applied` | 1 | any | no |
| `remark.made` | 1 | any | no |
| `record.exported` | 1 | any | no |
| `record.questioned` | 1 | any | no |
| `supplier.registered` | 1 | supplier | yes |
| `supplier.approved` | 1 | supplier | no |
| `item.drafted` | 1 | item | yes |
| `item.approved` | 1 | item | no |
| `item.obsoleted` | 1 | item | no |
| `delivery.received` | 1 | delivery | yes |
| `delivery.examined` | 1 | delivery | yes |
| `delivery.released` | 1 | delivery | no |
| `delivery.rejected` | 1 | delivery | no |
| `delivery.held` | 1 | delivery | no |
| `delivery.hold_lifted` | 1 | delivery | no |
| `roll.received` | 1 | roll | yes |
| `roll.moved` | 1 | roll | no |
| `roll.released` | 1 | roll | yes |
| `roll.rejected` | 1 | roll | yes |
| `roll.obsoleted` | 1 | roll | yes |
| `roll.held` | 1 | roll | no |
| `roll.hold_lifted` | 1 | roll | no |
| `roll.count_opened` | 1 | roll | yes |
| `roll.count_ended` | 1 | roll | yes |
| `roll.counted` | 1 | roll | yes |
| `roll.count_doubted` | 1 | roll | yes |
| `roll.check_recorded` | 1 | roll | yes |
| `roll.count_settled` | 1 | roll | yes |
| `roll.counts_disagreed` | 1 | roll | yes |
| `roll.bracketed` | 1 | roll | no |
| `count.opened` | 1 | count | yes |
| `count.segment_captured` | 1 | count | yes |
| `count.fault_seen` | 1 | count | yes |
| `count.machine_reported` | 1 | count | yes |
| `count.exception_found` | 1 | count | yes |
| `count.link_lost` | 1 | count | yes |
| `count.link_restored` | 1 | count | yes |
| `count.fault_disposed` | 1 | count | yes |
| `count.disposition_corrected` | 1 | count | yes |
| `count.code_checked` | 1 | count | yes |
| `count.closed` | 1 | count | yes |
| `count.interrupted` | 1 | count | yes |
| `count.aborted` | 1 | count | yes |
| `station.registered` | 1 | station | yes |
| `station.qualified` | 1 | station | no |
| `station.plugin_bound` | 1 | station | no |
| `station.bench_cleared` | 1 | station | no |
| `station.set_up` | 1 | station | no |
| `station.work_logged` | 1 | station | no |
| `station.count_opened` | 1 | station | no |
| `station.count_ended` | 1 | station | no |
| `station.challenge_passed` | 1 | station | no |
| `station.challenge_failed` | 1 | station | no |
| `station.doubted` | 1 | station | no |
| `station.link_up` | 1 | station | no |
| `station.link_lost` | 1 | station | no |
| `station.stray_captured` | 1 | station | no |
| `test_roll.registered` | 1 | test_roll | yes |
| `test_roll.certified` | 1 | test_roll | no |
| `test_roll.withdrawn` | 1 | test_roll | no |
| `plugin.drafted` | 1 | plugin | yes |
| `plugin.approved` | 1 | plugin | no |
| `deviation.opened` | 1 | deviation | yes |
| `deviation.assessed` | 1 | deviation | yes |
| `deviation.scope_extended` | 1 | deviation | yes |
| `deviation.interim_decided` | 1 | deviation | yes |
| `deviation.investigated` | 1 | deviation | yes |
| `deviation.due_extended` | 1 | deviation | no |
| `deviation.decided` | 1 | deviation | no |
| `deviation.closed` | 1 | deviation | no |
| `line.registered` | 1 | line | yes |
| `line.devices_changed` | 1 | line | yes |
| `line.order_opened` | 1 | line | no |
| `line.order_closed` | 1 | line | no |
| `clearance.performed` | 1 | clearance | yes |
| `limit_set.drafted` | 1 | limit_set | yes |
| `limit_set.approved` | 1 | limit_set | no |
| `limit_set.withdrawn` | 1 | limit_set | no |
| `order.planned` | 1 | order | yes |
| `order.part_begun` | 1 | order | no |
| `order.roll_examined` | 1 | order | yes |
| `order.limits_frozen` | 1 | order | yes |
| `order.issued` | 1 | order | yes |
| `order.roll_received` | 1 | order | yes |
| `order.started` | 1 | order | yes |
| `order.roll_mounted` | 1 | order | yes |
| `order.roll_dismounted` | 1 | order | yes |
| `order.interrupted` | 1 | order | yes |
| `order.resumed` | 1 | order | yes |
| `order.quantity_recorded` | 1 | order | yes |
| `order.units_recorded` | 1 | order | yes |
| `order.quantity_withdrawn` | 1 | order | yes |
| `order.finished` | 1 | order | yes |
| `order.roll_given_back` | 1 | order | yes |
| `order.return_taken` | 1 | order | yes |
| `order.reconciled` | 1 | order | yes |
| `order.held` | 1 | order | no |
| `order.hold_lifted` | 1 | order | no |
| `order.signed_for_packaging` | 1 | order | no |
| `order.approved` | 1 | order | no |
| `order.rejected` | 1 | order | no |
| `order.voided` | 1 | order | yes |
| `order.reopened` | 1 | order | yes |
| `issue.given` | 1 | issue | yes |
| `issue.taken` | 1 | issue | no |
| `issue.withdrawn` | 1 | issue | yes |
| `roll.returned` | 1 | roll | yes |
| `roll.issued` | 1 | roll | yes |
| `roll.issue_withdrawn` | 1 | roll | yes |
| `roll.taken` | 1 | roll | yes |
| `roll.received_at_line` | 1 | roll | yes |
| `roll.mounted` | 1 | roll | yes |
| `roll.dismounted` | 1 | roll | yes |
| `roll.given_back` | 1 | roll | yes |
| `roll.ended` | 1 | roll | yes |
| `roll.return_released` | 1 | roll | yes |
| `hand_count.opened` | 1 | hand_count | yes |
| `hand_count.entered` | 1 | hand_count | yes |
| `hand_count.agreed` | 1 | hand_count | yes |
| `hand_count.differed` | 1 | hand_count | yes |
| `container.opened` | 1 | container | yes |
| `container.filled` | 1 | container | yes |
| `container.sealed` | 1 | container | yes |
| `container.destruction_consented` | 1 | container | no |
| `container.destruction_declared` | 1 | container | no |
| `container.destroyed` | 1 | container | no |
| `reconciliation.computed` | 1 | reconciliation | yes |
| `override.requested` | 1 | override | yes |
| `override.granted` | 1 | override | no |
| `override.refused` | 1 | override | no |
| `override.used` | 1 | override | no |
"""
MEANING_ROWS = """
| identity confirmed | account | administrator, reviewer | account.enrolled, account.password_reset | - | yes |
| item approved | item | reviewer | item.drafted | - | - |
| obsoleted | item | reviewer | - | - | - |
| supplier approved | supplier | reviewer | supplier.registered | - | - |
| examined | delivery | incoming_examiner | - | - | - |
| released | delivery | reviewer | delivery.received, delivery.examined | examined | - |
| rejected | delivery | reviewer | delivery.received, delivery.examined | examined | - |
| hold lifted | deviation | reviewer | deviation.opened, roll.count_opened, roll.count_ended, roll.counted | - | - |
| counted | count | label_room | - | - | - |
| count checked | count | label_room, supervisor | count.opened, count.closed, count.fault_disposed, count.disposition_corrected, count.code_checked | counted | - |
| station qualified | station | reviewer | station.registered | - | - |
| challenge concluded | station | label_room | - | - | - |
| test roll certified | test_roll | reviewer | test_roll.registered | - | - |
| plugin approved | plugin | reviewer | plugin.drafted | - | - |
| limits approved | limit_set | reviewer | limit_set.drafted | - | - |
| cleared | clearance | line | - | - | - |
| clearance checked | clearance | line, supervisor | clearance.performed | cleared | - |
| issued | issue | label_room | - | - | - |
| issue taken | issue | line | issue.given | issued | - |
| container sealed | container | label_room | - | - | - |
| destruction consented | container | reviewer | container.opened, container.filled, container.sealed | container sealed | - |
| destroyed | container | label_room | - | - | - |
| destruction witnessed | container | line, supervisor, reviewer | container.destruction_declared | destroyed | - |
| reconciled | reconciliation | label_room, supervisor | - | - | - |
| reconciliation checked | reconciliation | label_room, supervisor, reviewer | reconciliation.computed | reconciled | - |
| override granted | override | supervisor, reviewer | override.requested | - | - |
| return released | roll | reviewer | roll.given_back, roll.returned, roll.count_opened | - | - |
| deviation investigated | deviation | supervisor, reviewer | - | - | - |
| deviation approved | deviation | reviewer | deviation.opened, deviation.assessed, deviation.investigated, roll.count_opened, order.planned, order.roll_examined, order.issued, order.roll_received, order.started, order.roll_mounted, order.roll_dismounted, order.interrupted, order.resumed, order.quantity_recorded, order.units_recorded, order.quantity_withdrawn, order.finished, order.roll_given_back, order.return_taken, issue.given, clearance.performed, container.opened, container.filled, container.sealed, container.destruction_declared, hand_count.opened, hand_count.entered, override.requested, reconciliation.computed | deviation investigated, counted, issued, issue taken, cleared, clearance checked, destroyed, destruction witnessed, reconciled, reconciliation checked | - |
| signed for packaging | order | supervisor | - | - | - |
| label record reviewed | order | reviewer | order.planned, order.roll_examined, order.issued, order.roll_received, order.started, order.roll_mounted, order.roll_dismounted, order.interrupted, order.resumed, order.quantity_recorded, order.units_recorded, order.quantity_withdrawn, order.finished, order.roll_given_back, order.return_taken, issue.given, clearance.performed, container.opened, container.filled, container.sealed, container.destruction_declared, hand_count.opened, hand_count.entered, override.requested, reconciliation.computed | signed for packaging, counted, issued, issue taken, cleared, clearance checked, destroyed, destruction witnessed, reconciled, reconciliation checked | - |
| label record approved | order | reviewer | order.planned, order.roll_examined, order.issued, order.roll_received, order.started, order.roll_mounted, order.roll_dismounted, order.interrupted, order.resumed, order.quantity_recorded, order.units_recorded, order.quantity_withdrawn, order.finished, order.roll_given_back, order.return_taken, issue.given, clearance.performed, container.opened, container.filled, container.sealed, container.destruction_declared, hand_count.opened, hand_count.entered, override.requested, reconciliation.computed | signed for packaging, counted, issued, issue taken, cleared, clearance checked, destroyed, destruction witnessed, reconciled, reconciliation checked | - |
| label record rejected | order | reviewer | order.planned, order.roll_examined, order.issued, order.roll_received, order.started, order.roll_mounted, order.roll_dismounted, order.interrupted, order.resumed, order.quantity_recorded, order.units_recorded, order.quantity_withdrawn, order.finished, order.roll_given_back, order.return_taken, issue.given, clearance.performed, container.opened, container.filled, container.sealed, container.destruction_declared, hand_count.opened, hand_count.entered, override.requested, reconciliation.computed | signed for packaging, counted, issued, issue taken, cleared, clearance checked, destroyed, destruction witnessed, reconciled, reconciliation checked | - |
"""


def cells(rows):
    for row in rows.strip().split("\n"):
        yield [cell.strip() for cell in row.strip("|").split("|")]


def listed_in(cell):
    return [] if cell == "-" else cell.split(", ")


# {(kind, v): (the things in whose streams it stands, or "any"; whether it is content)}
KINDS = {
    (kind.strip("`"), int(v)): (listed_in(things), content == "yes") for kind, v, things, content in cells(KIND_ROWS)
}
# {meaning: (record, roles, not who made, not who signed, not about oneself)}
MEANINGS = {
    meaning: (*map(listed_in, rule[:4]), rule[4] == "yes") for meaning, *rule in cells(MEANING_ROWS)
}

LARGEST_NUMBER = 2**53 - 1
# By how much the two clocks of one boot may move apart from one entry that says both to the next (section 1).
APART = datetime.timedelta(seconds=5)
LARGEST_ENTRY = 262_144
LARGEST_NOTE = 65_536
DEEPEST = 16


class Bad(Exception):
    """What was read is not of the form; the text says why."""


# --- Section 1: bytes.


def integer(text):
    if len(text) > 17:
        raise Bad("a number beyond 2^53-1")
    return int(text)


def refuse_number(text):
    raise Bad(f"the number {text[:40]} is not an integer")


def members(pairs):
    out = dict(pairs)
    if len(out) != len(pairs):
        raise Bad("a key occurs twice")
    return out


SHORT = {'"': '\\"', "\\": "\\\\", "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}


def quoted(text):
    return '"' + re.sub(r'[\x00-\x1f"\\]', lambda m: SHORT.get(m[0]) or f"\\u{ord(m[0]):04x}", text) + '"'


def canonical(value, depth=DEEPEST):
    """The canonical form of a value, as text."""
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, int):
        if abs(value) > LARGEST_NUMBER:
            raise Bad("a number beyond 2^53-1")
        return str(value)
    if isinstance(value, str):
        return quoted(value)
    if depth == 0:
        raise Bad("nested too deep")
    if isinstance(value, list):
        return "[" + ",".join(canonical(item, depth - 1) for item in value) + "]"
    for key in value:
        if not re.fullmatch(r"[ !#-\[\]-~]*", key):
            raise Bad("a key is not printable ASCII without quote and backslash")
    return "{" + ",".join(quoted(key) + ":" + canonical(value[key], depth - 1) for key in sorted(value)) + "}"


def jcs(value):
    return canonical(value).encode()


def read_canonical(data):
    """The value of canonical bytes. Raises Bad for any others.

    It reads leniently, writes strictly and compares: whatever is not the one form differs from it somewhere.
    """
    try:
        value = json.loads(
            data.decode("utf-8"),
            object_pairs_hook=members,
            parse_float=refuse_number,
            parse_constant=refuse_number,
            parse_int=integer,
        )
        again = jcs(value)
    except UnicodeError:
        raise Bad("not UTF-8, or half of a surrogate pair") from None
    except RecursionError:
        raise Bad("nested too deep") from None
    except ValueError as error:
        raise Bad(f"not JSON: {error}") from None
    if again != data:
        at = next((i for i, (a, b) in enumerate(zip(again, data)) if a != b), min(len(again), len(data)))
        raise Bad(f"not in canonical form from byte {at} on")
    return value


def unbase64(text, length=None):
    """The bytes of strict base64, or None."""
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return None
    # Compared with the one right way to write it: pad bits and padding.
    if base64.b64encode(data).decode() != text or (length is not None and len(data) != length):
        return None
    return data


def a_text(value):
    return isinstance(value, str)


def a_number(value):
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def an_object(value):
    return isinstance(value, dict)


def matches(pattern):
    whole = re.compile(pattern)
    return lambda value: isinstance(value, str) and whole.fullmatch(value) is not None


a_hash = matches("[0-9a-f]{64}")
an_id = matches("[A-Z0-9][A-Z0-9-]{0,31}")
a_stream = matches("[a-z_]{1,32}/[A-Z0-9][A-Z0-9-]{0,31}")
a_kind = matches(r"[a-z_]+\.[a-z_]+")
an_act = matches("[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
a_time_form = matches(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z")


def a_book(value):
    return isinstance(value, str) and len(value) <= 100 and bool(re.fullmatch(r"[a-z0-9.-]+(/[a-z0-9.-]+)*", value))


def a_time(value):
    if not a_time_form(value):
        return False
    if value.startswith("0000"):
        # Python's calendar begins with year 1; year 0 has the same days as 2000.
        value = "2000" + value[4:]
    try:
        datetime.datetime.strptime(value, "%Y-%m-%dT%H:%M:%S.%fZ")
    except ValueError:
        return False
    # strptime lets a leap second pass.
    return int(value[17:19]) <= 59


def a_base64(length):
    return lambda value: isinstance(value, str) and unbase64(value, length) is not None


def list_of(item):
    return lambda value: isinstance(value, list) and all(item(x) for x in value)


def map_of(key, item):
    return lambda value: isinstance(value, dict) and all(key(k) and item(v) for k, v in value.items())


def one_of(*known):
    return lambda value: isinstance(value, str) and value in known


def a_true_or_false(value):
    return isinstance(value, bool)


def exactly(value, needed, optional=()):
    """What is wrong with an object that must have these members, or None."""
    if not isinstance(value, dict):
        return "not an object"
    optional = dict(optional)
    for name, good in needed.items():
        if name not in value:
            return f"{name} is missing"
        if not good(value[name]):
            return f"{name} is out of form"
    for name in value:
        if name in needed:
            continue
        if name not in optional:
            return f"{name[:40]} is not known"
        if not optional[name](value[name]):
            return f"{name} is out of form"
    return None


PERSON = {"account": an_id, "device": an_id, "name": a_text, "role": a_text, "session": an_id}
MACHINE = {"plugin": a_hash, "station": an_id}
COMPONENT = {"system": a_text}


def made_by(value):
    return any(exactly(value, form) is None for form in (PERSON, MACHINE, COMPONENT))


def from_one(value):
    return a_number(value) and value >= 1


FIELDS = {
    "at": a_time,
    "body": an_object,
    "book": a_book,
    "by": made_by,
    "kind": a_kind,
    "n": a_number,
    "prev": a_hash,
    "rev": from_one,
    "stream": a_stream,
    "v": from_one,
}
OPTIONAL_FIELDS = {"act": an_act, "occurred": a_time, "why": a_text}

a_cover = lambda value: exactly(value, {"rev": from_one, "root": a_hash}) is None  # noqa: E731
ROLES = one_of("label_room", "line", "incoming_examiner", "supervisor", "reviewer", "auditor", "administrator")

a_grant = lambda value: exactly(value, {"role": ROLES, "training": a_text}, {"until": a_time}) is None  # noqa: E731

# The bodies on which the checks below rest. All others are judged by their JSON Schema, where the record has it.
BODIES = {
    "book.opened": (
        {
            "name": a_book,
            "public_key": a_base64(32),
            "zone": a_text,
            "software": a_text,
            "format": lambda value: value == 1 and a_number(value),
            "hash": one_of("sha-256"),
            "sign": one_of("ed25519"),
        },
        {},
    ),
    "book.key_enrolled": ({"key": a_hash, "public_key": a_base64(32), "proof": a_base64(64)}, {}),
    "book.key_compromised": ({"key": a_hash, "from": a_number}, {}),
    "book.started": (
        {
            "boot": a_text,
            "clock": a_text,
            "engine": a_text,
            "mono_us": a_number,
            "schemas": a_hash,
            "software": a_text,
            "store": a_text,
            "synchronised": one_of("yes", "no", "unknown"),
        },
        {},
    ),
    "clock.stepped": ({"from": a_time, "to": a_time, "boot": a_text, "mono_us": a_number, "cause": a_text}, {}),
    "account.enrolled": (
        {
            "account": an_id,
            "name": a_text,
            "roles": list_of(a_grant),
            "founder": a_true_or_false,
            "identity": a_text,
        },
        {},
    ),
    "account.roles_changed": ({"account": an_id, "roles": list_of(a_grant)}, {}),
    "account.disabled": ({"account": an_id}, {}),
    "account.key_enrolled": (
        {"account": an_id, "key": a_hash, "public_key": a_base64(32), "proof": a_base64(64)},
        {"previous": a_hash},
    ),
    "account.key_retired": ({"account": an_id, "key": a_hash}, {}),
    "account.key_compromised": ({"account": an_id, "key": a_hash, "from": a_number}, {}),
    "account.password_reset": ({"account": an_id}, {}),
    "account.locked": ({"account": an_id, "failures": a_number, "until": a_time}, {}),
    "account.unlocked": ({"account": an_id}, {}),
    "signature.applied": (
        {
            "account": an_id,
            "name": a_text,
            "role": ROLES,
            "meaning": a_text,
            "record": a_stream,
            "covers": map_of(a_stream, a_cover),
            "key": a_hash,
            "sig": a_base64(64),
        },
        {},
    ),
    "record.exported": (
        {"manifest": a_hash, "record": a_stream, "streams": map_of(a_stream, from_one)},
        {"pdf": a_hash},
    ),
}


class Entry:
    """One line of entries: its bytes, leaf hash, and its members where they are in form."""

    def __init__(self, data, place):
        self.leaf = leaf_hash(data)
        self.data = data
        self.fields = None
        self.n = place
        self.wrong = None
        try:
            if len(data) > LARGEST_ENTRY:
                raise Bad("longer than an entry may be")
            fields = read_canonical(data)
            wrong = exactly(fields, FIELDS, OPTIONAL_FIELDS)
            if wrong:
                raise Bad(wrong)
            body = BODIES.get(fields["kind"]) if fields["v"] == 1 else None
            if body and (wrong := exactly(fields["body"], *body)):
                raise Bad(f"body of {fields['kind']}: {wrong}")
            self.fields = fields
            self.n = fields["n"]
        except Bad as error:
            self.wrong = str(error)

    def __getattr__(self, name):
        # `entry.kind` for the member, where the entry is in form.
        fields = object.__getattribute__(self, "fields")
        if fields is not None and name in FIELDS:
            return fields[name]
        raise AttributeError(name)


# --- JSON Schema, as far as the schemas of the format go.


class NotJudged(Exception):
    """Something that this program does not know; no fault."""


SCHEMA_PATTERNS = {
    "^[a-z_]{1,32}/[A-Z0-9][A-Z0-9-]{0,31}$": a_stream,
    "^[0-9a-f]{64}$": a_hash,
    "^[A-Z0-9][A-Z0-9-]{0,31}$": an_id,
    "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-5][0-9]\\.[0-9]{6}Z$": a_time,
    "^[a-z0-9.-]+(/[a-z0-9.-]+)*$": a_book,
    "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$": an_act,
}
SCHEMA_TYPES = {
    "object": lambda v: isinstance(v, dict),
    "array": lambda v: isinstance(v, list),
    "string": lambda v: isinstance(v, str),
    "integer": lambda v: isinstance(v, int) and not isinstance(v, bool),
    "number": lambda v: isinstance(v, int) and not isinstance(v, bool),
    "boolean": lambda v: isinstance(v, bool),
    "null": lambda v: v is None,
}
SCHEMA_SILENT = {"$schema", "$id", "$defs", "$comment", "title", "description", "default", "examples", "format"}


class Schema:
    """One JSON Schema. A keyword or pattern that is not known raises NotJudged: half a judgement is none."""

    def __init__(self, data):
        try:
            self.top = json.loads(data)
        except (ValueError, RecursionError):
            raise Bad("not JSON") from None

    def wrong(self, value):
        """What is wrong with the value, or None."""
        self.steps = 0
        try:
            return self.look(self.top, value, "body")
        except (RecursionError, KeyError, TypeError, AttributeError, ValueError):
            raise NotJudged("a schema that is not of a known form") from None

    def look(self, schema, value, where):
        self.steps += 1
        if self.steps > 200_000:
            raise NotJudged("a schema that takes too long")
        if schema is True:
            return None
        if schema is False:
            return f"{where} is not known"
        for keyword, rule in schema.items():
            if keyword in SCHEMA_SILENT:
                continue
            wrong = self.keyword(keyword, rule, schema, value, where)
            if wrong:
                return wrong
        return None

    def keyword(self, keyword, rule, schema, value, where):
        if keyword == "$ref":
            prefix = "#/$defs/"
            if not rule.startswith(prefix):
                raise NotJudged(f"a schema with the reference {rule[:40]}")
            return self.look(self.top["$defs"][rule[len(prefix) :]], value, where)
        if keyword == "type":
            kinds = rule if isinstance(rule, list) else [rule]
            return None if any(SCHEMA_TYPES[kind](value) for kind in kinds) else f"{where} is not of type {rule}"
        if keyword == "const":
            return None if value == rule and type(value) is type(rule) else f"{where} is not {rule!r}"
        if keyword == "enum":
            return None if any(value == one and type(value) is type(one) for one in rule) else f"{where} is not listed"
        if keyword in ("oneOf", "anyOf"):
            good = sum(self.look(one, value, where) is None for one in rule)
            return None if good == 1 or (good > 1 and keyword == "anyOf") else f"{where} fits {good} forms"
        if keyword == "allOf":
            return next(filter(None, (self.look(one, value, where) for one in rule)), None)
        number = isinstance(value, int) and not isinstance(value, bool)
        if keyword == "minimum":
            return f"{where} is below {rule}" if number and value < rule else None
        if keyword == "maximum":
            return f"{where} is above {rule}" if number and value > rule else None
        if keyword == "pattern":
            if rule not in SCHEMA_PATTERNS:
                raise NotJudged(f"a schema with the pattern {rule[:40]}")
            return f"{where} is out of form" if isinstance(value, str) and not SCHEMA_PATTERNS[rule](value) else None
        if keyword == "items":
            items = enumerate(value) if isinstance(value, list) else ()
            return next(filter(None, (self.look(rule, item, f"{where}[{i}]") for i, item in items)), None)
        if keyword == "uniqueItems":
            twice = isinstance(value, list) and len({canonical(item) for item in value}) != len(value)
            return f"{where} has an item twice" if rule and twice else None
        if keyword == "required":
            missing = [name for name in rule if isinstance(value, dict) and name not in value]
            return f"{where}.{missing[0]} is missing" if missing else None
        if keyword == "properties":
            both = [name for name in rule if isinstance(value, dict) and name in value]
            return next(filter(None, (self.look(rule[n], value[n], f"{where}.{n}") for n in both)), None)
        if keyword in ("patternProperties", "additionalProperties"):
            return self.other_members(keyword, rule, schema, value, where) if isinstance(value, dict) else None
        raise NotJudged(f"a schema with {keyword[:40]}")

    def other_members(self, keyword, rule, schema, value, where):
        patterns = schema.get("patternProperties", {})
        for pattern in patterns:
            if pattern not in SCHEMA_PATTERNS:
                raise NotJudged(f"a schema with the pattern {pattern[:40]}")
        for name, item in value.items():
            fitting = [pattern for pattern in patterns if SCHEMA_PATTERNS[pattern](name)]
            if keyword == "patternProperties":
                rules = [rule[pattern] for pattern in fitting]
            else:
                rules = [] if fitting or name in schema.get("properties", {}) else [rule]
            for one in rules:
                wrong = self.look(one, item, f"{where}.{name[:40]}")
                if wrong:
                    return wrong
        return None


# --- Section 2: hashes. Plain bytes inside, hex outside.


def sha256(*parts):
    out = hashlib.sha256()
    for part in parts:
        out.update(part)
    return out.digest()


def leaf_hash(data):
    return sha256(b"\0", data)


def node_hash(left, right):
    return sha256(b"\1", left, right)


class Tree:
    """The roots of full subtrees that make up the tree so far, largest first, each with its number of leaves."""

    def __init__(self):
        self.parts = []
        self.size = 0

    def add(self, leaf):
        count = 1
        while self.parts and self.parts[-1][0] == count:
            leaf = node_hash(self.parts.pop()[1], leaf)
            count *= 2
        self.parts.append((count, leaf))
        self.size += 1

    def root(self):
        if not self.parts:
            return sha256()
        right = self.parts[-1][1]
        for _, left in reversed(self.parts[:-1]):
            right = node_hash(left, right)
        return right


def tree_root(leaves):
    tree = Tree()
    for leaf in leaves:
        tree.add(leaf)
    return tree.root()


def below(size):
    """The largest power of two smaller than size."""
    return 1 << (size - 1).bit_length() - 1


def root_by_inclusion(leaf, n, size, path):
    """The root to which an inclusion proof leads. By recursion from the root, as RFC 9162 2.1.3.1 builds it."""
    path = list(path)

    def walk(n, size):
        if size == 1:
            return leaf
        if not path:
            raise Bad("the proof has too few hashes")
        beside = path.pop()
        k = below(size)
        return node_hash(walk(n, k), beside) if n < k else node_hash(beside, walk(n - k, size - k))

    if not 0 <= n < size:
        raise Bad("the proof is for a position outside the tree")
    root = walk(n, size)
    if path:
        raise Bad("the proof has too many hashes")
    return root


def roots_by_consistency(old, new, old_root, path):
    """The two roots to which a consistency proof leads. By recursion, as RFC 9162 2.1.4.1 builds it."""
    path = list(path)

    def walk(old, new, whole):
        """The roots of the first `old` and of all `new` leaves of a subtree."""
        if old == new:
            if whole:
                return old_root, old_root
            if not path:
                raise Bad("the proof has too few hashes")
            root = path.pop()
            return root, root
        if not path:
            raise Bad("the proof has too few hashes")
        beside = path.pop()
        k = below(new)
        if old <= k:
            first, second = walk(old, k, whole)
            return first, node_hash(second, beside)
        first, second = walk(old - k, new - k, False)
        return node_hash(beside, first), node_hash(beside, second)

    if not 0 < old <= new:
        raise Bad("a consistency proof from nothing or from the larger tree")
    roots = walk(old, new, True)
    if path:
        raise Bad("the proof has too many hashes")
    return roots


# --- Sections 3 and 4: keys and signatures.

PRIME = 2**255 - 19
CURVE_D = -121665 * pow(121666, -1, PRIME) % PRIME


def of_small_order(public):
    """True where eight times the point is the neutral element, or the bytes are no point at all. RFC 8032 5.1."""
    y = (int.from_bytes(public, "little") & ~(1 << 255)) % PRIME
    square = (y * y - 1) * pow(CURVE_D * y * y + 1, -1, PRIME) % PRIME
    x = pow(square, (PRIME + 3) // 8, PRIME)
    if x * x % PRIME != square:
        x = x * pow(2, (PRIME - 1) // 4, PRIME) % PRIME
    if x * x % PRIME != square:
        return True
    for _ in range(3):
        t = CURVE_D * x * x * y * y % PRIME
        x, y = 2 * x * y * pow(1 + t, -1, PRIME) % PRIME, (y * y + x * x) * pow(1 - t, -1, PRIME) % PRIME
    return (x, y) == (0, 1)


def good_signature(public, message, signature):
    if len(public) != 32 or len(signature) != 64 or of_small_order(public):
        return False
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def key_id(name, public):
    return sha256(name.encode(), b"\n\x01", public)[:4]


def verifier_key(name, public):
    return f"{name}+{key_id(name, public).hex()}+{base64.b64encode(bytes([1]) + public).decode()}"


def read_verifier_key(text):
    """(name, raw public key). Raises Bad."""
    parts = text.split("+", 2)
    if len(parts) != 3:
        raise Bad("a verifier key is NAME+KEYID+KEY")
    name, identity, key = parts
    key = unbase64(key, 33)
    if key is None or key[0] != 1 or not name or any(c.isspace() for c in name):
        raise Bad("not a verifier key for Ed25519")
    if key_id(name, key[1:]).hex() != identity:
        raise Bad("the verifier key's ID does not belong to its name and key")
    return name, key[1:]


class Note:
    """A signed note with a checkpoint in it. Raises Bad where it is not one."""

    def __init__(self, data):
        if len(data) > LARGEST_NOTE:
            raise Bad("a note of more than 65,536 bytes")
        try:
            note = data.decode("utf-8")
        except UnicodeError:
            raise Bad("a note that is not UTF-8") from None
        if any(c < " " and c != "\n" for c in note):
            raise Bad("a note with a control character")
        text, empty, lines = note.rpartition("\n\n")
        if not empty or not lines.endswith("\n"):
            raise Bad("not a signed note: no empty line, or no signature line after it")
        self.signed = (text + "\n").encode()
        self.lines = []
        for line in lines[:-1].split("\n"):
            parts = line.split(" ")
            blob = unbase64(parts[2]) if len(parts) == 3 else None
            good_name = len(parts) == 3 and parts[1] and not re.search(r"[\s+]", parts[1])
            if not good_name or parts[0] != "\u2014" or blob is None or len(blob) < 5:
                raise Bad("not a signed note: a signature line out of form")
            self.lines.append((parts[1], blob[:4], blob[4:]))
        parts = text.split("\n")
        if len(parts) < 3 or "" in parts[3:]:
            raise Bad("not a checkpoint: three lines are wanted, and no empty one after them")
        root = unbase64(parts[2], 32)
        if not a_book(parts[0]) or not re.fullmatch("0|[1-9][0-9]{0,15}", parts[1]) or root is None:
            raise Bad("not a checkpoint: book's name, size or root is out of form")
        self.book, self.size, self.root = parts[0], int(parts[1]), root

    def signed_by(self, name, public):
        """True where the key signed it, False where no line is by that key. Raises Bad for a bad signature."""
        found = False
        for line_name, identity, signature in self.lines:
            if line_name == name and identity == key_id(name, public):
                if not good_signature(public, self.signed, signature):
                    raise Bad("the signature by the book's key is not good")
                found = True
        return found


    def cosigned_by(self, name, public):
        """Each time at which that witness cosigned it. Raises Bad for a bad cosignature."""
        times = []
        for line_name, identity, blob in self.lines:
            if line_name == name and identity == witness_id(name, public):
                time = int.from_bytes(blob[:8], "big")
                message = f"cosignature/v1\ntime {time}\n".encode() + self.signed
                if len(blob) < 8 or time >= 1 << 63 or not good_signature(public, message, blob[8:]):
                    raise Bad(f"the cosignature by {name} is not good")
                times.append(time)
        return times


def witness_id(name, public):
    return sha256(name.encode(), b"\n\x04", public)[:4]


def read_witness_key(text):
    """(name, raw public key). Raises Bad."""
    parts = text.split("+", 2)
    key = unbase64(parts[2], 33) if len(parts) == 3 else None
    if key is None or key[0] != 4 or not parts[0] or any(c.isspace() for c in parts[0]):
        raise Bad("not a witness's key for Ed25519 cosignatures")
    if witness_id(parts[0], key[1:]).hex() != parts[1]:
        raise Bad("the witness key's ID does not belong to its name and key")
    return parts[0], key[1:]


class Policy:
    """What is asked for: the book's key, witnesses and how many, keys that were stolen. Raises Bad."""

    def __init__(self, data=None, witnesses=()):
        self.sha256 = None if data is None else sha256(data).hex()
        try:
            written = tomllib.loads((data or b"").decode("utf-8"))
        except (UnicodeError, tomllib.TOMLDecodeError) as error:
            raise Bad(f"not a policy: {error}") from None
        known = {"key": str, "witness": list, "quorum": int, "compromised": list}
        for name, value in written.items():
            if name not in known or type(value) is not known[name]:
                raise Bad(f"not a policy: {name} is not known, or of another kind")
        self.key = read_verifier_key(written["key"]) if "key" in written else None
        own = [read_witness_key(one if isinstance(one, str) else "") for one in written.get("witness", [])]
        if len({public for _, public in own}) != len(own):
            raise Bad("not a policy: the key of a witness is there twice")
        self.quorum = written.get("quorum", 0)
        if (own and "quorum" not in written) or not 0 <= self.quorum <= len(own):
            raise Bad("not a policy: no quorum for its witnesses, or one larger than their number")
        self.witnesses = list(dict.fromkeys([*witnesses, *own]))
        self.compromised = []
        for one in written.get("compromised", []):
            if not isinstance(one, dict) or set(one) != {"key", "from", "since"}:
                raise Bad("not a policy: a compromised key has key, from and since")
            good = isinstance(one["key"], str) and re.fullmatch("[0-9a-f]{8}", one["key"])
            if not good or type(one["from"]) is not int or one["from"] < 0 or a_time(one["since"]) is not True:
                raise Bad("not a policy: a compromised key is out of form")
            moment = datetime.datetime.strptime(one["since"], "%Y-%m-%dT%H:%M:%S.%fZ")
            moment = moment.replace(tzinfo=datetime.timezone.utc)
            self.compromised.append((one["key"], one["from"], int(moment.timestamp() // 1)))

    def tainted(self, note, public):
        """Since when the cosignatures of that note do not count; None where its key is nobody else's."""
        identity = key_id(note.book, public).hex()
        since = [since for key, size, since in self.compromised if key == identity and note.size >= size]
        return min(since, default=None)


# --- Section 5: plugins.


def plugin_digest(files):
    """The digest over {path: contents}. Raises Bad."""
    if not 1 <= len(files) <= 64:
        raise Bad("a plugin has 1 to 64 files")
    for path, contents in files.items():
        parts = path.split("/")
        if len(parts) > 3 or not all(re.fullmatch(r"[a-z0-9_-][a-z0-9._-]*", part) for part in parts):
            raise Bad(f"{path[:80]} is not a plugin file's path")
        if any("/".join(parts[:i]) in files for i in range(1, len(parts))):
            raise Bad(f"{path[:80]} lies in a folder that is also a file")
        if len(contents) > 1_048_576:
            raise Bad(f"{path[:80]} is larger than a plugin file may be")
    return tree_root(sha256(b"\0", path.encode(), b"\0", files[path]) for path in sorted(files))


# --- Section 6: the strict ZIP.


def read_zip(data, fault):
    """{name: bytes} of the members. Calls fault(text); what could be read before the fault is returned."""
    out = {}

    def field(form, at):
        try:
            return struct.unpack_from("<" + form, data, at)
        except struct.error:
            raise Bad(f"it ends too early, at byte {at}") from None

    try:
        end = len(data) - 22
        if end < 0 or data[end : end + 4] != b"PK\x05\x06":
            raise Bad("no end record in the last 22 bytes")
        disk, first_disk, here, count, length, start, comment = field("HHHHIIH", end + 4)
        if disk or first_disk or here != count or comment or 0xFFFF == count or 0xFFFFFFFF in (length, start):
            raise Bad("an end record of an archive in parts, with a comment, or of 64 bits")
        if start + length != end:
            raise Bad("the central headers do not end where the end record begins")
        at, header = 0, start
        for _ in range(count):
            if data[header : header + 4] != b"PK\x01\x02" or data[at : at + 4] != b"PK\x03\x04":
                raise Bad(f"no header at byte {header} or {at}")
            shared = data[header + 6 : header + 32]
            needed, flags, method = field("HHH", header + 6)
            crc, stored, plain, name_length, extra = field("IIIHH", header + 16)
            note, part = field("HH", header + 32)
            (offset,) = field("I", header + 42)
            if needed > 20 or flags or method or extra or note or part or stored != plain or 0xFFFFFFFF in (plain, offset):
                raise Bad(f"the header at byte {header} is not that of a plain stored member")
            if offset != at:
                raise Bad(f"members do not follow one another at byte {at}")
            name = data[header + 46 : header + 46 + name_length]
            if data[at + 4 : at + 30] != shared or data[at + 30 : at + 30 + name_length] != name:
                raise Bad(f"the two headers of a member differ, at byte {at}")
            at += 30 + name_length
            content = data[at : at + plain]
            at += plain
            header += 46 + name_length
            if at > start or header > end:
                raise Bad(f"a member runs into the headers, at byte {at}")
            text = name.decode("latin-1")
            if not re.fullmatch("[A-Za-z0-9._/-]+", text) or any(p in ("", ".", "..") for p in text.split("/")):
                raise Bad(f"{text[:80]!r} is not a member's name")
            if text in out:
                raise Bad(f"{text[:80]} is there twice")
            if zlib.crc32(content) != crc:
                fault(f"the bytes of {text[:80]} do not have their checksum")
            out[text] = content
        if at != start or header != end:
            raise Bad("something stands between members, headers and end record")
    except Bad as error:
        fault(str(error))
    return out


# --- The pages' file of a record (section 6): read so that every byte belongs to one thing.

PDF_TOKEN = re.compile(
    rb"[\t\n\r ]*(?:(?P<open><<)|(?P<close>>>)|(?P<list>\[)|(?P<end>\])|(?P<name>/(?:#[0-9A-Fa-f]{2}|[!\"$&'*-.0-;=?-Z\\^-z|~])*)"
    rb"|(?P<ref>[0-9]+ 0 R)(?![!\"#$&'*-.0-;=?-Z\\^-z|~])|(?P<hex><(?:[0-9A-Fa-f]{2})*>)|(?P<text>\()"
    rb"|(?P<word>[+-]?[0-9]*\.?[0-9]*(?![!\"#$&'*-.0-;=?-Z\\^-z|~])|true|false|null))"
)
ATTACHED = ("checkpoint.txt", "entries.jsonl", "proofs.jsonl")


class Name(bytes):
    """A name of a PDF, which is no text."""


class Ref(int):
    """A reference to an object of generation 0."""


class Pdf:
    """A PDF of the strict form. Raises Bad."""

    def __init__(self, data):
        self.data = data
        end = re.search(rb"startxref[\t\n\r ]*([0-9]{1,10})[\t\n\r ]*%%EOF\n?\Z", data[-64:])
        if end is None:
            raise Bad("it does not end with startxref and %%EOF: bytes stand behind its end")
        stop, table = max(len(data) - 64, 0) + end.start(), int(end[1])
        head = re.match(rb"%PDF-1\.[0-9]+\n(?:%[\x80-\xff]*\n)?", data)
        size = re.match(rb"xref\n0 ([0-9]{1,8})\r?\n", data[table : table + 32])
        if head is None or size is None:
            raise Bad("its first line, or its one table of objects, is not of the form")
        at, offsets = table + size.end(), {}
        for number in range(int(size[1])):
            line = re.fullmatch(rb"([0-9]{10}) ([0-9]{5}) ([nf])(?:\r\n| \n)", data[at : at + 20])
            if line is None or (line[3] == b"n" and (number == 0 or int(line[2]))):
                raise Bad(f"the table's line of object {number} is not of the form")
            if line[3] == b"n":
                offsets[int(line[1])] = number
            at += 20
        word = re.compile(rb"[\t\n\r ]*trailer").match(data, at)
        if word is None:
            raise Bad("the trailer is missing")
        trailer, at = self.value(word.end())
        if not isinstance(trailer, dict) or self.space(at) != stop:
            raise Bad("something stands between the trailer and startxref")
        if {b"Prev", b"Encrypt", b"XRefStm"} & set(trailer) or trailer.get(b"Size") != int(size[1]):
            raise Bad("the trailer leads to an older revision, is encrypted, or counts other objects than the table")
        self.objects, self.streams = {}, {}
        at = head.end()
        for offset, number in sorted(offsets.items()):
            at = self.space(at)
            if at != offset:
                raise Bad(f"at byte {at} something stands that is no object of the table")
            at = self.take(number, at)
        if self.space(at) != table or len(self.objects) != len(offsets):
            raise Bad("something stands between the objects and the table")
        self.root = trailer.get(b"Root")

    def space(self, at):
        while self.data[at : at + 1] in (b"\t", b"\n", b"\r", b" "):
            at += 1
        return at

    def take(self, number, at):
        begin = b"%d 0 obj" % number
        if self.data[at : at + len(begin)] != begin:
            raise Bad(f"object {number} is not where the table has it")
        value, at = self.value(at + len(begin))
        at = self.space(at)
        word = re.compile(rb"stream\r?\n").match(self.data, at)
        if word is not None:
            length = value.get(b"Length") if isinstance(value, dict) else None
            if not isinstance(length, int) or isinstance(length, (bool, Ref)) or value.get(b"Type") in (b"ObjStm", b"XRef"):
                raise Bad(f"the stream of object {number} is not of the form")
            self.streams[number] = self.data[word.end() : word.end() + length]
            at = self.space(word.end() + length)
            if self.data[at : at + 9] != b"endstream":
                raise Bad(f"the stream of object {number} is not as long as it says")
            at = self.space(at + 9)
        if self.data[at : at + 6] != b"endobj":
            raise Bad(f"object {number} does not end")
        self.objects[number] = value
        return at + 6

    def value(self, at, depth=32):
        token = PDF_TOKEN.match(self.data, at)
        if token is None or depth == 0 or not token[0].strip():
            raise Bad(f"no object stands at byte {at}")
        at = token.end()
        if token["open"]:
            out = {}
            while True:
                key = PDF_TOKEN.match(self.data, at)
                if key is not None and key["close"]:
                    return out, key.end()
                if key is None or key["name"] is None:
                    raise Bad(f"a name is wanted at byte {at}")
                name = self.name(key["name"])
                if name in out:
                    raise Bad(f"a dictionary has a name twice, at byte {at}")
                out[name], at = self.value(key.end(), depth - 1)
        if token["list"]:
            out = []
            while True:
                end = PDF_TOKEN.match(self.data, at)
                if end is not None and end["end"]:
                    return out, end.end()
                item, at = self.value(at, depth - 1)
                out.append(item)
        if token["name"]:
            return self.name(token["name"]), at
        if token["ref"]:
            return Ref(token["ref"].split()[0]), at
        if token["hex"]:
            return bytes.fromhex(token["hex"][1:-1].decode()), at
        if token["text"]:
            return self.text(at)
        if token["close"] or token["end"]:
            raise Bad(f"no object stands at byte {at}")
        word = token["word"]
        if word in (b"true", b"false", b"null"):
            return {b"true": True, b"false": False, b"null": None}[word], at
        if re.fullmatch(rb"[0-9]{1,19}", word):
            return int(word), at
        if not re.search(rb"[0-9]", word):
            raise Bad(f"a number is wanted at byte {at}")
        return float(word), at

    @staticmethod
    def name(text):
        return Name(re.sub(rb"#([0-9A-Fa-f]{2})", lambda code: bytes.fromhex(code[1].decode()), text[1:]))

    def text(self, at):
        out, deep = bytearray(), 1
        escapes = {b"n": 10, b"r": 13, b"t": 9, b"b": 8, b"f": 12, b"(": 40, b")": 41, b"\\": 92}
        while True:
            byte = self.data[at : at + 1]
            at += 1
            if not byte:
                raise Bad("a string does not end")
            if byte == b"\\":
                code = re.compile(rb"[0-7]{1,3}").match(self.data, at)
                after = self.data[at : at + 1]
                if code is not None and int(code[0], 8) < 256:
                    out.append(int(code[0], 8))
                    at = code.end()
                elif after in escapes:
                    out.append(escapes[after])
                    at += 1
                else:
                    raise Bad(f"an escape is not known, at byte {at}")
                continue
            deep += (byte == b"(") - (byte == b")")
            if deep == 0:
                return bytes(out), at
            out += byte

    def at(self, value):
        return self.objects.get(int(value)) if isinstance(value, Ref) else value

    def dictionary(self, value, what):
        value = self.at(value)
        if not isinstance(value, dict):
            raise Bad(f"{what} is no dictionary")
        return value

    def attached(self):
        """{name: bytes}: exactly the three files of a record, and no other anywhere."""
        names = self.dictionary(self.dictionary(self.root, "the catalog").get(b"Names"), "what is attached")
        tree = self.dictionary(names.get(b"EmbeddedFiles"), "what is attached")
        listed = self.at(tree.get(b"Names"))
        if b"Kids" in tree or not isinstance(listed, list) or len(listed) % 2:
            raise Bad("the attachments are not in one list")
        out, known, files = {}, set(), set()
        for name, specification in zip(listed[::2], listed[1::2]):
            if not isinstance(name, bytes) or isinstance(name, Name) or not isinstance(specification, Ref):
                raise Bad("the attachments are not listed as names and files")
            text = name.decode("latin-1")
            if text not in ATTACHED or text in out:
                raise Bad(f"{text[:80]!r} is attached twice, or no record has it")
            out[text], number = self.file(text, specification)
            known.add(int(specification))
            files.add(number)
        if set(out) != set(ATTACHED):
            raise Bad("not all files of a record are attached")
        for number, value in self.objects.items():
            if carriers(value) > (number in known):
                raise Bad(f"object {number} carries a file that is not attached to the record")
            if isinstance(value, dict) and number not in files and value.get(b"Type") == Name(b"EmbeddedFile"):
                raise Bad(f"object {number} is a file that nothing names")
        return out

    def file(self, name, specification):
        specification = self.dictionary(specification, name)
        for key in (b"F", b"UF"):
            said = specification.get(key)
            if not isinstance(said, bytes) or isinstance(said, Name):
                raise Bad(f"{name} has no name")
            wide = said.startswith(b"\xfe\xff")
            if said.decode("utf-16" if wide else "latin-1", "replace") != name:
                raise Bad(f"{name} is listed under another name than its own")
        embedded = self.dictionary(specification.get(b"EF"), name)
        number = embedded.get(b"F")
        if not isinstance(number, Ref) or set(embedded) - {b"F", b"UF"} or embedded.get(b"UF", number) != number:
            raise Bad(f"{name} has no bytes, or more than one content")
        head, raw = self.objects.get(int(number)), self.streams.get(int(number))
        if raw is None or head.get(b"Type") != Name(b"EmbeddedFile") or {b"DecodeParms", b"DP"} & set(head):
            raise Bad(f"{name} is no embedded file, or packed with parameters")
        if b"Filter" not in head:
            return raw, int(number)
        if head[b"Filter"] != Name(b"FlateDecode"):
            raise Bad(f"{name} is packed in another way than by deflate")
        unpacker = zlib.decompressobj()
        try:
            out = unpacker.decompress(raw, 256 << 20)
        except zlib.error as error:
            raise Bad(f"{name}: its packed bytes are broken") from error
        if not unpacker.eof or unpacker.unused_data:
            raise Bad(f"{name}: its packed bytes do not end, or bytes stand behind them")
        return out, int(number)


def carriers(value):
    """How many dictionaries in it have the entry that file specifications have."""
    if isinstance(value, list):
        return sum(map(carriers, value))
    if isinstance(value, dict):
        return (b"EF" in value) + sum(map(carriers, value.values()))
    return 0


# --- The checks of section 7.


class Key:
    """A signing key of an account."""

    def __init__(self, name, public, rev, first):
        self.name, self.public, self.rev, self.first = name, public, rev, first
        self.confirmed = False
        self.retired = False
        # The entries that confirmed it.
        self.confirmations = []


class Account:
    """What a person may sign with, and as what, at the entry that was last looked at."""

    def __init__(self):
        self.name = None
        # As the last entry about them says: [{"role", "training", "until"}].
        self.roles = []
        self.founder = False
        self.disabled = False
        self.keys = []


class Stream:
    """What was seen of one stream so far."""

    def __init__(self):
        self.tree = Tree()
        self.rev = 0
        self.whole = True
        self.makers = {}
        self.signers = {}
        self.signatures = []


class Verifier:
    """Looks at one book or record and collects what it finds."""

    def __init__(self, names):
        self.looked = dict.fromkeys(names, 0)
        self.faults = []
        self.skipped = {}
        self.entries = []
        self.listed = None
        self.schemas = {}
        self.book = None
        # [(the entry that enrolled it, its public part)]; of each that is marked, by its name, from when on.
        self.book_keys = []
        self.book_marks = {}
        # {the name of a person's key: [account, from]}, and every signature: (n, the name of its key, the key).
        self.marks = {}
        self.fallen = {}
        self.given_signatures = []
        self.accounts = {}
        self.streams = {}
        self.owners = {}
        self.signature_state = {}
        self.segments = []
        self.strays = []
        self.trusted = set()
        self.policy = Policy()
        self.held = []
        self.newest_outside = 0
        self.checkpoint = None
        self.size = 0

    def look(self, check, count=1):
        self.looked[check] += count

    def fault(self, check, n, what):
        self.faults.append({"check": check, "n": n, "what": what})

    def skip(self, what):
        """Counts something that is not judged."""
        self.skipped[what] = self.skipped.get(what, 0) + 1

    # --- Entries.

    def read_lines(self, data):
        lines = data.split(b"\n")
        if lines.pop():
            self.fault("bytes", len(lines), "the last line does not end in a line feed")
        self.entries = [Entry(line, place) for place, line in enumerate(lines)]

    def check_bytes(self):
        for entry in self.entries:
            self.look("bytes")
            if entry.wrong:
                self.fault("bytes", entry.n, entry.wrong)
                continue
            if "occurred" in entry.fields and "why" not in entry.fields:
                self.fault("bytes", entry.n, "a late entry without a reason")
            kind = (entry.kind, entry.v)
            if kind not in KINDS:
                self.skip(f"body of {entry.kind[:60]} v{entry.v}: the kind is not known")
                continue
            things = KINDS[kind][0]
            if things != ["any"] and entry.stream.split("/")[0] not in things:
                self.fault("bytes", entry.n, f"{entry.kind} stands in {entry.stream}")
            schema = self.schemas.get(kind)
            if schema is None:
                if entry.kind not in BODIES:
                    self.skip(f"body of {entry.kind} v{entry.v}: no JSON Schema at hand")
                continue
            try:
                wrong = schema.wrong(entry.body)
                if wrong:
                    self.fault("bytes", entry.n, f"body of {entry.kind}: {wrong}")
            except NotJudged as error:
                self.skip(f"body of {entry.kind} v{entry.v}: {error}")

    def check_chain_and_time(self, whole):
        last, read, revs, acts, torn, both = None, None, {}, set(), None, None
        for place, entry in enumerate(self.entries):
            self.look("chain")
            if entry.fields is None:
                last = entry
                continue
            n = entry.n
            wanted = 0 if last is None else last.n + 1
            if n < wanted:
                self.fault("chain", n, "n does not ascend")
            elif whole and n > wanted:
                self.fault("chain", wanted, f"n is {n} where {wanted} must stand")
            if n == 0:
                self.check_opening(entry)
            elif place == 0:
                self.fault("chain", n, "the first entry is not entry 0")
            if self.book is not None and entry.book != self.book:
                self.fault("chain", n, f"it is of the book {entry.book}")
            fits = entry.prev == last.leaf.hex() if last is not None and last.n == n - 1 else None
            torn = self.check_link(n, fits, torn)
            rev = revs.get(entry.stream, 0) + 1
            # Only entry 0 may stand there of a stream that is not listed; its rev is looked at by check_opening.
            if entry.rev != rev and (self.listed is None or entry.stream in self.listed):
                self.fault("chain", n, f"rev of {entry.stream} is {entry.rev} where {rev} must stand")
            revs[entry.stream] = entry.rev
            # An entry that cannot be read may be of the same act.
            self.check_act(entry, read, acts)
            self.look("time")
            self.check_time(entry, last)
            both = self.check_both_clocks(entry, both)
            last = read = entry
        self.check_link(None, None, torn)

    def check_link(self, n, fits, torn):
        """Of two neighbours that do not fit either was changed; the entry after them tells which."""
        if torn is not None:
            at = torn if fits is False else torn - 1
            self.fault("chain", at, f"entry {torn} does not follow entry {torn - 1}")
            return None
        return n if fits is False else None

    def check_opening(self, entry):
        if entry.kind != "book.opened" or entry.v != 1 or entry.stream != "book/B" or entry.rev != 1:
            self.fault("chain", 0, "entry 0 is not book.opened in stream book/B at rev 1")
            return
        if entry.prev != "0" * 64:
            self.fault("chain", 0, "prev of entry 0 is not zeros")
        if entry.body["name"] != entry.book:
            self.fault("chain", 0, "the book opened is not the book of the entry")

    def check_act(self, entry, last, acts):
        act = entry.fields.get("act")
        if act is None:
            return
        follows = last is not None and last.fields.get("act") == act
        if follows:
            if last.at != entry.at or last.by != entry.by:
                self.fault("chain", entry.n, "an act whose entries differ in at or by")
        elif act in acts:
            self.fault("chain", entry.n, "an act that was there before")
        acts.add(act)

    def check_time(self, entry, last):
        neighbours = last is not None and last.fields is not None and last.n == entry.n - 1
        if entry.kind == "clock.stepped" and entry.v == 1:
            if entry.body["to"] != entry.at:
                self.fault("time", entry.n, "a clock step to another time than its own")
            if neighbours and entry.body["from"] != last.at:
                self.fault("time", entry.n, "a clock step from another time than that of the entry before")
        elif last is not None and last.fields is not None and entry.at < last.at:
            if neighbours:
                self.fault("time", entry.n, "earlier than the entry before, without a clock step")
            else:
                self.skip("time that falls where entries between are not at hand")

    def check_both_clocks(self, entry, before):
        """Holds an entry that says the clock and the steady count against the last one that did. Gives the newer one."""
        if entry.kind not in ("book.started", "clock.stepped") or entry.v != 1:
            return before
        boot, count = entry.body["boot"], entry.body["mono_us"]
        if before is None or boot == "unknown" or before.body["boot"] != boot:
            return entry
        if count < before.body["mono_us"]:
            self.fault("time", entry.n, f"the steady count is smaller than at entry {before.n} of the same boot")
        elif entry.kind == "book.started":
            form = "%Y-%m-%dT%H:%M:%S.%fZ"
            passed = datetime.datetime.strptime(entry.at, form) - datetime.datetime.strptime(before.at, form)
            steady = datetime.timedelta(microseconds=count - before.body["mono_us"])
            if abs(passed - steady) > APART:
                self.fault("time", entry.n, f"clock and steady count moved apart since entry {before.n} of the same boot")
        return entry

    # --- Keys, signatures, separation: in one pass, since each depends on what was there before.

    def follow(self):
        for entry in self.entries:
            if entry.fields is None:
                continue
            stream = self.streams.setdefault(entry.stream, Stream())
            kind = entry.kind if entry.v == 1 else None
            if kind == "signature.applied":
                self.check_signature(entry)
                stream.signers.setdefault(entry.body["meaning"], set()).add(entry.body["account"])
            elif kind == "book.opened" and entry.n == 0:
                self.take_book_key(entry)
            elif kind == "book.opened":
                self.fault("keys", entry.n, "the book was opened a second time")
            elif kind == "book.key_enrolled":
                self.take_next_book_key(entry)
            elif kind == "book.key_compromised":
                self.take_book_mark(entry)
            elif kind is not None and kind.startswith("account.") and kind in BODIES:
                self.take_account(entry, kind)
            elif kind == "count.segment_captured":
                self.take_segment(entry)
            elif kind == "station.stray_captured":
                self.take_stray(entry)
            known = KINDS.get((entry.kind, entry.v))
            if known and known[1]:
                for n in stream.signatures:
                    self.signature_state[n] = "void"
            elif known is None:
                for n in stream.signatures:
                    if self.signature_state[n] == "standing":
                        self.signature_state[n] = "unknown"
            if kind == "signature.applied":
                stream.signatures.append(entry.n)
                self.signature_state[entry.n] = "standing"
            stream.whole = stream.whole and entry.rev == stream.rev + 1
            stream.rev = entry.rev
            stream.tree.add(entry.leaf)
            if "account" in entry.by:
                stream.makers.setdefault(entry.kind, set()).add(entry.by["account"])
        self.let_fall()

    def let_fall(self):
        """Signatures that do not stand: a key is marked as compromised. Ascending, since one may rest on another."""
        for n, name, key in self.given_signatures:
            if name in self.marks and self.marks[name][1] <= n:
                self.fallen[n] = name
                continue
            before = [by for by in key.confirmations if by < n] if key else []
            if before and all(by in self.fallen for by in before):
                self.fallen[n] = self.fallen[before[0]]
        for n in self.fallen:
            if self.signature_state.get(n) == "standing":
                self.signature_state[n] = "compromised"

    def take_book_key(self, entry):
        self.look("keys")
        public = unbase64(entry.body["public_key"], 32)
        if of_small_order(public):
            self.fault("keys", 0, "the book's key is a point of small order")
        self.book_keys = [(-1, public)]

    def take_next_book_key(self, entry):
        self.look("keys")
        body = entry.body
        if not self.book_keys:
            return
        public = unbase64(body["public_key"], 32)
        statement = b"tallyseal book key v1\n" + jcs({"book": entry.book, "key": body["key"]})
        if sha256(public).hex() != body["key"]:
            self.fault("keys", entry.n, "the book key's name is not its SHA-256")
        elif not good_signature(self.book_keys[-1][1], statement, unbase64(body["proof"], 64)):
            self.fault("keys", entry.n, "the new book key is not signed by the one before")
        elif public in [known for _, known in self.book_keys]:
            self.fault("keys", entry.n, "the book had that key before")
        else:
            self.book_keys.append((entry.n, public))

    def take_book_mark(self, entry):
        self.look("keys")
        name, since = entry.body["key"], entry.body["from"]
        if name not in [sha256(public).hex() for _, public in self.book_keys]:
            self.fault("keys", entry.n, "a key is marked that is none of the book's")
            return
        self.book_marks[name] = min(since, self.book_marks.get(name, since))

    def book_key_marked(self, place, at):
        """Whether the book's key at that place is marked as compromised at that size or entry."""
        since = self.book_marks.get(sha256(self.book_keys[place][1]).hex())
        return since is not None and since <= at

    def take_account(self, entry, kind):
        body = entry.body
        name = body["account"]
        if entry.stream != f"account/{name}":
            self.fault("keys", entry.n, f"{kind} of {name} stands in {entry.stream}")
            return
        account = self.accounts.setdefault(name, Account())
        if kind == "account.enrolled":
            if account.name is not None:
                self.fault("keys", entry.n, f"{name} is enrolled a second time")
            account.name, account.roles, account.founder = body["name"], body["roles"], body["founder"]
            if sum(one.founder for one in self.accounts.values()) > 2:
                self.fault("keys", entry.n, "a third founder")
        elif kind == "account.roles_changed":
            account.roles = body["roles"]
        elif kind == "account.disabled":
            account.disabled = True
        elif kind == "account.key_enrolled":
            self.take_key(entry, account)
        elif kind == "account.key_compromised":
            self.take_mark(entry, account)
        elif kind == "account.key_retired":
            self.look("keys")
            keys = [key for key in account.keys if key.name == body["key"]]
            if not keys:
                self.fault("keys", entry.n, "a key is retired that was not enrolled")
            for key in keys:
                key.retired = True

    def take_mark(self, entry, account):
        self.look("keys")
        name, since = entry.body["key"], entry.body["from"]
        if name not in [key.name for key in account.keys]:
            self.fault("keys", entry.n, "a key is marked that is none of the account's")
            return
        mark = self.marks.setdefault(name, [entry.body["account"], since])
        mark[1] = min(mark[1], since)

    def take_key(self, entry, account):
        self.look("keys")
        body = entry.body
        name, previous = body["account"], body.get("previous")
        public = unbase64(body["public_key"], 32)
        statement = {"account": name, "book": entry.book, "key": body["key"], "previous": previous}
        wrong = None
        if sha256(public).hex() != body["key"]:
            wrong = "the key's name is not its SHA-256"
        elif not good_signature(public, b"tallyseal key v1\n" + jcs(statement), unbase64(body["proof"], 64)):
            wrong = "the proof that the new key is held is not good"
        elif previous != (account.keys[-1].name if account.keys else None):
            wrong = "previous is not the key that was enrolled last"
        elif body["key"] in self.owners:
            wrong = f"the key was enrolled before, by {self.owners[body['key']]}"
        if wrong:
            self.fault("keys", entry.n, wrong)
            return
        self.owners[body["key"]] = name
        account.keys.append(Key(body["key"], public, entry.rev, not account.keys))

    def key_for(self, entry):
        """The signer's key where it is valid for this signature. Raises Bad."""
        body = entry.body
        account = self.accounts.get(body["account"])
        if account is None or account.name is None:
            raise Bad("the signer's account is not at hand")
        if account.disabled:
            raise Bad("the signer's account was disabled")
        if body["name"] != account.name:
            raise Bad("the name is not that of the account")
        granted = [grant for grant in account.roles if grant["role"] == body["role"]]
        if not granted:
            raise Bad(f"the signer did not have the role {body['role']}")
        # All times have one form, in which the order of the texts is that of the moments.
        if all("until" in grant and entry.at >= grant["until"] for grant in granted):
            raise Bad(f"the signer's role {body['role']} had expired at {max(grant['until'] for grant in granted)}")
        key = next((key for key in account.keys if key.name == body["key"]), None)
        if key is None:
            raise Bad("the key was not enrolled for the signer before")
        if key.retired:
            raise Bad("the key was retired before")
        if not key.confirmed:
            other = self.accounts.get(entry.stream.removeprefix("account/"))
            both = account.founder and other is not None and other.founder and other is not account
            confirms = body["meaning"] == "identity confirmed" and entry.stream.startswith("account/")
            if not (both and confirms and key.first):
                raise Bad("the key was not confirmed before")
        return key

    def check_signature(self, entry):
        self.look("signatures")
        good = True

        def fault(what):
            nonlocal good
            good = False
            self.fault("signatures", entry.n, what)

        body = entry.body
        if any(entry.by.get(member) != body[member] for member in ("account", "name", "role")):
            fault("account, name or role differ from those in by")
        if body["record"] != entry.stream:
            fault("it stands in another stream than the one it signs")
        if body["record"] not in body["covers"]:
            fault("the record is not among what it covers")
        for name, cover in body["covers"].items():
            self.check_cover(name, cover, fault)
        meaning = MEANINGS.get(body["meaning"])
        thing = body["record"].split("/")[0]
        if meaning is None:
            self.skip(f"meaning {body['meaning'][:60]!r}: not known")
        else:
            if thing not in meaning[0]:
                good = False
                self.fault("separation", entry.n, f"{body['meaning']!r} is not signed on {thing}")
            if body["role"] not in meaning[1]:
                good = False
                self.fault("separation", entry.n, f"{body['meaning']!r} is not signed as {body['role']}")
        statement = {name: body[name] for name in ("account", "covers", "key", "meaning", "name", "record", "role")}
        statement |= {"at": entry.at, "book": entry.book}
        key = None
        try:
            key = self.key_for(entry)
        except Bad as error:
            fault(str(error))
            # Without a valid key nothing can be said about the signature itself.
        self.given_signatures.append((entry.n, body["key"], key))
        message = b"tallyseal signature v1\n" + jcs(statement)
        if key is not None and not good_signature(key.public, message, unbase64(body["sig"], 64)):
            fault("the Ed25519 signature is not good")
        self.check_separation(entry, meaning)
        if good and body["meaning"] == "identity confirmed":
            account = self.accounts.get(body["record"].removeprefix("account/"))
            covered = body["covers"][body["record"]]["rev"]
            keys = [key for key in account.keys if key.rev <= covered] if account else []
            if not keys:
                self.fault("keys", entry.n, "an identity is confirmed of an account without a key")
            elif account is not self.accounts.get(body["account"]):
                keys[-1].confirmed = True
                keys[-1].confirmations.append(entry.n)

    def check_cover(self, name, cover, fault):
        stream = self.streams.get(name)
        if self.listed is not None and name not in self.listed:
            self.skip("cover of a stream that is not in the record")
        elif stream is None or stream.tree.size == 0:
            fault(f"it covers {name}, which had no entry")
        elif not stream.whole:
            self.skip("cover of a stream that is not there in full")
        elif cover["rev"] != stream.tree.size:
            fault(f"it covers {name} to {cover['rev']}, but the last entry before it is {stream.tree.size}")
        elif cover["root"] != stream.tree.root().hex():
            fault(f"the stream root of {name} is another")

    def check_separation(self, entry, meaning):
        self.look("separation")
        if meaning is None:
            return
        _, _, makers, signers, not_self = meaning
        who = entry.body["account"]
        for name in entry.body["covers"]:
            stream = self.streams.get(name)
            if stream is None:
                continue
            for kind in makers:
                if who in stream.makers.get(kind, ()):
                    self.fault("separation", entry.n, f"{who} signed {entry.body['meaning']!r} and made {kind} in {name}")
            for other in signers:
                if who in stream.signers.get(other, ()):
                    self.fault("separation", entry.n, f"{who} signed {entry.body['meaning']!r} and {other!r} in {name}")
        if not_self and entry.body["record"] == f"account/{who}":
            self.fault("separation", entry.n, f"{who} signed {entry.body['meaning']!r} on their own account")

    # --- Captures.

    def take_segment(self, entry):
        form = {"link": a_text, "offset": a_number, "length": a_number, "sha256": a_hash}
        if any(not good(entry.body.get(member)) for member, good in form.items()):
            self.fault("captures", entry.n, "a segment without link, offset, length and sha256")
            return
        self.segments.append(entry)

    def take_stray(self, entry):
        form = {"link": a_text, "length": a_number, "sha256": a_hash}
        if any(not good(entry.body.get(member)) for member, good in form.items()):
            self.fault("captures", entry.n, "a stray piece without link, length and sha256")
            return
        self.strays.append(entry)

    def check_captures(self, files):
        for entry in self.strays:
            self.look("captures")
            if files is not None:
                self.check_piece(entry, files)
        ends = {}
        for entry in self.segments:
            self.look("captures")
            body = entry.body
            place = (entry.stream, body["link"])
            if body["offset"] != ends.get(place, 0):
                self.fault("captures", entry.n, f"bytes begin at {body['offset']}, not at {ends.get(place, 0)}")
            ends[place] = body["offset"] + body["length"]
            if files is None:
                continue
            self.check_piece(entry, files)
        named = {f"captures/{entry.body['sha256']}" for entry in self.segments + self.strays}
        for name in files or {}:
            if not name.startswith("captures/"):
                continue
            if name not in named:
                self.fault("captures", None, f"no segment or stray piece names {name[:80]}")
            if sha256(files[name]).hex() != name.removeprefix("captures/"):
                self.fault("captures", None, f"{name[:80]} does not have its hash")

    def check_piece(self, entry, files):
        name = f"captures/{entry.body['sha256']}"
        if name not in files:
            self.fault("captures", entry.n, f"{name} is missing")
        elif len(files[name]) != entry.body["length"]:
            self.fault("captures", entry.n, f"{name} has another length")

    # --- Checkpoints and trust.

    def book_key_at(self, size):
        """The newest key of the book that was enrolled below that size; None where entry 0 is not at hand."""
        keys = [public for n, public in self.book_keys if n < size]
        return keys[-1] if keys else None

    def open_note(self, data, what):
        """The note where it is a checkpoint of this book and signed by its key, else None."""
        self.look("checkpoints")
        try:
            note = Note(data)
            if self.book is not None and note.book != self.book:
                raise Bad(f"it is of the book {note.book}")
            public = self.book_key_at(note.size)
            if public is None:
                raise Bad("no key of the book is at hand")
            if not note.signed_by(note.book, public):
                raise Bad("it is not signed by the book's key")
            note.signer = public
            note.witnessed = {key: note.cosigned_by(name, key) for name, key in self.policy.witnesses}
            return note
        except Bad as error:
            self.fault("checkpoints", None, f"{what}: {error}")
            return None

    def check_given_key(self, given):
        """The key that was given from outside is one of the book's."""
        if given is None:
            return
        self.look("keys")
        name, public = given
        if name != self.book or public not in [key for _, key in self.book_keys]:
            self.fault("keys", 0, "the book's key is not the one that was given")

    def vouched(self, note, given):
        """The key that was given vouches for the note: by itself, or from proof to proof for a newer one that signed it."""
        if given is None or given[0] != self.book or not self.book_keys:
            return False
        signer = max([place for place, (n, _) in enumerate(self.book_keys) if n < note.size], default=0)
        if self.book_key_marked(signer, note.size):
            self.skip("a checkpoint by a key of the book that is marked as compromised at its size: it proves nothing")
            return False
        for place, (_, public) in enumerate(self.book_keys[: signer + 1]):
            path = range(place, signer)
            if public == given[1] and not any(self.book_key_marked(one, self.book_keys[one + 1][0]) for one in path):
                return True
        return False

    def hold(self, note, outside):
        """Remembers a note that the entries agree with."""
        if note is not None:
            self.held.append((note, outside))

    def weigh(self, given):
        """What the notes that hold prove, and whether that is what the policy asks."""
        policy = self.policy
        newest = {}
        for note, _ in self.held:
            before = policy.tainted(note, note.signer)
            for key, times in note.witnessed.items():
                if any(before is None or time < before for time in times):
                    newest[key] = max(newest.get(key, 0), note.size)
        sizes = sorted(newest.values(), reverse=True)
        wanted = max(policy.quorum, 1)
        witnessed = sizes[wanted - 1] if len(sizes) >= wanted else 0
        if witnessed:
            self.trusted.add("witness")
        proved = [witnessed]
        for note, outside in self.held:
            if policy.tainted(note, note.signer) is not None and note.size > witnessed:
                continue
            if self.vouched(note, given):
                self.trusted.add("key")
            if outside:
                self.trusted.add("checkpoint")
                proved.append(note.size)
        self.newest_outside = max(proved)
        if policy.key is not None or policy.quorum:
            self.looked.setdefault("require", 0)
        if policy.key is not None:
            self.look("require")
            if "key" not in self.trusted:
                self.fault("require", None, "no checkpoint that holds is signed by the policy's key")
        if policy.quorum:
            self.look("require")
            if not witnessed:
                self.fault("require", None, f"{policy.quorum} of the policy's witnesses did not cosign what holds")

    # --- A whole book.

    def dump(self, data, given, outside):
        self.read_lines(data)
        if not self.entries:
            self.fault("chain", None, "there is no entry")
        self.find_book()
        self.check_bytes()
        self.check_chain_and_time(whole=True)
        self.follow()
        self.check_given_key(given)
        self.check_captures(None)
        notes = [(name, self.open_note(text, name)) for name, text in outside]
        wanted = {note.size for _, note in notes if note is not None}
        tree = Tree()
        roots = {0: tree.root()}
        for entry in self.entries:
            tree.add(entry.leaf)
            if tree.size in wanted:
                roots[tree.size] = tree.root()
        self.look("tree", tree.size)
        self.check_contradictions(notes)
        end = self.entries[-1].n + 1 if self.entries else 0
        held = [note.size for _, note in notes if note is not None and roots.get(note.size) == note.root]
        for name, note in notes:
            if note is None:
                continue
            if note.size > end:
                self.fault("checkpoints", end, f"{name}: the book had {note.size} entries, {end} are there")
            elif roots.get(note.size) != note.root:
                # What differs first stands after the last checkpoint that holds.
                good = max([size for size in held if size < note.size], default=0)
                self.fault("tree", good, f"{name}: the first {note.size} entries have another root")
            else:
                self.hold(note, True)
                if self.checkpoint is None or note.size >= self.checkpoint.size:
                    self.checkpoint = note
        self.weigh(given)
        self.size = tree.size

    def check_contradictions(self, notes):
        """Two good checkpoints of one size name one root, or the book's key signed two histories."""
        roots = {}
        for name, note in notes:
            if note is None:
                continue
            if roots.setdefault(note.size, note.root) != note.root:
                self.fault("checkpoints", None, f"{name}: another checkpoint of size {note.size} names another root")

    def find_book(self):
        if self.entries and self.entries[0].fields is not None:
            self.book = self.entries[0].book

    # --- A sealed record.

    def sealed(self, data, given, outside):
        files = read_zip(data, lambda what: self.fault("zip", None, what))
        self.look("zip", len(files))
        if self.faults:
            # What is not of the strict form can be read in two ways; it is not read at all.
            return
        manifest = self.read_manifest(files)
        self.listed = manifest["streams"]
        self.read_schemas(files)
        self.read_lines(files.get("entries.jsonl", b""))
        self.find_book()
        self.check_bytes()
        self.check_chain_and_time(whole=False)
        self.follow()
        # Without a manifest nothing is listed, and that was said.
        if manifest["record"] is not None:
            self.check_complete(manifest)
        self.check_given_key(given)
        self.check_captures(files)
        self.check_plugins(files)
        # One that is not there is missed by the manifest.
        first, second = (
            self.open_note(files[name], name) if name in files else None for name in ("checkpoint.txt", "seal.txt")
        )
        self.check_manifest(files, manifest, first)
        self.check_proofs(files, first)
        self.check_seal(files, manifest, first, second)
        self.check_pages(files)
        self.check_outside(outside, first, second)
        for note in (first, second):
            self.hold(note, False)
        self.weigh(given)
        self.checkpoint = second or first
        self.size = self.checkpoint.size if self.checkpoint else 0

    def check_pages(self, files):
        if "record.pdf" not in files:
            return
        self.look("pdf")
        try:
            for name, data in Pdf(files["record.pdf"]).attached().items():
                if files.get(name) != data:
                    self.fault("pdf", None, f"{name} in record.pdf is not {name} in the record")
        except Bad as error:
            self.fault("pdf", None, f"record.pdf: {error}")

    # --- The pages' file alone.

    def printed(self, data, given, outside):
        self.size = 0
        try:
            files = Pdf(data).attached()
        except Bad as error:
            self.fault("pdf", None, str(error))
            return
        self.look("pdf", len(files))
        self.read_lines(files["entries.jsonl"])
        self.listed = {}
        for entry in self.entries:
            if entry.fields is not None and entry.n > 0:
                self.listed[entry.stream] = max(entry.rev, self.listed.get(entry.stream, 0))
        self.find_book()
        self.check_bytes()
        self.check_chain_and_time(whole=False)
        self.follow()
        self.check_given_key(given)
        self.check_captures(None)
        first = self.open_note(files["checkpoint.txt"], "checkpoint.txt")
        self.check_proofs(files, first)
        self.check_outside(outside, first, None)
        self.hold(first, False)
        self.weigh(given)
        self.checkpoint = first
        self.size = first.size if first else 0
        self.skip(f"the pages: UNPROVEN; the file's SHA-256 {sha256(data).hex()} stands in record.exported")

    def read_manifest(self, files):
        self.look("manifest")
        form = {
            "book": a_book,
            "files": map_of(a_text, a_hash),
            "record": a_stream,
            "size": a_number,
            "streams": map_of(a_stream, from_one),
        }
        try:
            if "manifest.json" not in files:
                raise Bad("manifest.json is missing")
            manifest = read_canonical(files["manifest.json"])
            wrong = exactly(manifest, form)
            if wrong:
                raise Bad(wrong)
            return manifest
        except Bad as error:
            self.fault("manifest", None, str(error))
            return {"book": None, "files": {}, "record": None, "size": None, "streams": {}}

    def check_manifest(self, files, manifest, first):
        outside = {"manifest.json", "seal.jsonl", "seal.txt"}
        for name in sorted(set(manifest["files"]) - set(files)):
            self.fault("manifest", None, f"{name[:80]} is missing")
        for name in sorted(outside - set(files)):
            self.fault("manifest", None, f"{name} is missing")
        for name in ("entries.jsonl", "proofs.jsonl", "checkpoint.txt"):
            if name not in manifest["files"]:
                self.fault("manifest", None, f"{name} is not named")
        for name in sorted(set(files) - outside):
            self.look("manifest")
            if name not in manifest["files"]:
                self.fault("manifest", None, f"{name[:80]} is not named")
            elif sha256(files[name]).hex() != manifest["files"][name]:
                self.fault("manifest", None, f"{name[:80]} has another hash")
            known = name in ("entries.jsonl", "proofs.jsonl", "checkpoint.txt")
            if not known and not name.startswith(("captures/", "plugins/", "schemas/")):
                self.skip(f"the file {name[:60]}")
        if manifest["book"] is not None and manifest["book"] != self.book:
            self.fault("manifest", None, "it is of another book")
        if first is not None and manifest["size"] is not None and manifest["size"] != first.size:
            self.fault("manifest", None, "its size is not that of checkpoint.txt")

    def read_schemas(self, files):
        for name, data in files.items():
            match = re.fullmatch(r"schemas/([a-z_]+\.[a-z_]+)\.v([1-9][0-9]{0,5})\.json", name)
            if match:
                try:
                    self.schemas[match[1], int(match[2])] = Schema(data)
                except Bad as error:
                    self.fault("manifest", None, f"{name}: {error}")

    def check_complete(self, manifest):
        seen = {}
        for entry in self.entries:
            if entry.fields is None:
                continue
            if entry.stream not in self.listed:
                if entry.n != 0:
                    self.fault("complete", entry.n, f"it is of {entry.stream}, which is not listed")
                continue
            seen.setdefault(entry.stream, []).append(entry)
        for name, last in sorted(self.listed.items()):
            self.look("complete")
            found = seen.get(name, [])
            revs = {entry.rev for entry in found}
            missing = next((rev for rev in range(1, len(revs) + 2) if rev not in revs), None)
            if missing <= last:
                self.fault("complete", None, f"{name}: rev {missing} of {last} is missing")
            for entry in found:
                if entry.rev > last:
                    self.fault("complete", entry.n, f"{name} is listed to {last}, this is {entry.rev}")
        if manifest["record"] is not None and manifest["record"] not in self.listed:
            self.fault("complete", None, "the record's own stream is not listed")

    def check_plugins(self, files):
        folders = {}
        for name, data in files.items():
            if name.startswith("plugins/"):
                digest, _, path = name.removeprefix("plugins/").partition("/")
                folders.setdefault(digest, {})[path] = data
        for digest, contents in sorted(folders.items()):
            self.look("plugins")
            try:
                if plugin_digest(contents).hex() != digest:
                    raise Bad("the files have another digest")
            except Bad as error:
                self.fault("plugins", None, f"{digest[:64]}: {error}")
        missing = {}
        for entry in self.entries:
            if entry.fields is not None and "plugin" in entry.by and entry.by["plugin"] not in folders:
                missing.setdefault(entry.by["plugin"], entry.n)
        for digest, n in missing.items():
            self.fault("plugins", n, f"the files of {digest} are missing")

    def read_proof(self, data):
        proof = read_canonical(data)
        wrong = exactly(proof, {"leaf": a_hash, "n": a_number, "path": list_of(a_hash)})
        if wrong:
            raise Bad(wrong)
        return proof

    def check_proof(self, data, entry, note):
        """Raises Bad where the line does not prove the entry."""
        proof = self.read_proof(data)
        if proof["leaf"] != entry.leaf.hex() or (entry.fields is not None and proof["n"] != entry.n):
            raise Bad("the proof is of another entry")
        path = [bytes.fromhex(one) for one in proof["path"]]
        if note is not None and root_by_inclusion(entry.leaf, proof["n"], note.size, path) != note.root:
            raise Bad("the proof does not lead to the root")

    def check_proofs(self, files, first):
        lines = files.get("proofs.jsonl", b"").split(b"\n")
        if lines.pop():
            self.fault("tree", None, "the last line of proofs.jsonl does not end in a line feed")
        if len(lines) != len(self.entries):
            self.fault("tree", None, f"{len(lines)} proofs for {len(self.entries)} entries")
        for entry, line in zip(self.entries, lines):
            self.look("tree")
            try:
                self.check_proof(line, entry, first)
            except Bad as error:
                self.fault("tree", entry.n, str(error))

    def check_seal(self, files, manifest, first, second):
        # One that is not there is missed by the manifest.
        if "seal.jsonl" not in files:
            return
        self.look("seal")
        lines = files["seal.jsonl"].split(b"\n")
        if lines.pop() or len(lines) != 3:
            self.fault("seal", None, "seal.jsonl has not three lines")
            return
        entry = Entry(lines[0], None)
        if entry.wrong:
            self.fault("seal", None, f"the first line is no entry: {entry.wrong}")
        elif entry.kind != "record.exported" or entry.v != 1:
            self.fault("seal", entry.n, "the first line is not record.exported")
        else:
            self.check_export(entry, files, manifest, first, second)
        try:
            self.check_proof(lines[1], entry, second)
        except Bad as error:
            self.fault("seal", entry.n, str(error))
        try:
            line = read_canonical(lines[2])
            wrong = exactly(line, {"consistency": list_of(a_hash)})
            if wrong:
                raise Bad(wrong)
        except Bad as error:
            self.fault("seal", None, f"the third line: {error}")
            return
        if first is None or second is None:
            return
        try:
            path = [bytes.fromhex(one) for one in line["consistency"]]
            old, new = roots_by_consistency(first.size, second.size, first.root, path)
            if (old, new) != (first.root, second.root):
                raise Bad("the proof does not lead from one root to the other")
        except Bad as error:
            self.fault("seal", None, f"checkpoint.txt to seal.txt: {error}")

    def check_export(self, entry, files, manifest, first, second):
        body = entry.body
        if entry.book != self.book:
            self.fault("seal", entry.n, "it was exported from another book")
        if entry.stream != body["record"]:
            self.fault("seal", entry.n, "record.exported does not stand in the stream of its record")
        if body["manifest"] != sha256(files.get("manifest.json", b"")).hex():
            self.fault("seal", entry.n, "the manifest exported is another")
        if body["record"] != manifest["record"] or body["streams"] != manifest["streams"]:
            self.fault("seal", entry.n, "the record or streams exported are others")
        pdf = sha256(files["record.pdf"]).hex() if "record.pdf" in files else None
        if body.get("pdf") != pdf:
            self.fault("seal", entry.n, "the pages exported are others")
        if first is not None and entry.n < first.size:
            self.fault("seal", entry.n, "it is older than checkpoint.txt")
        if second is not None and entry.n >= second.size:
            self.fault("seal", entry.n, "it is younger than seal.txt")
        last = self.entries[-1] if self.entries else None
        if last is not None and last.n == entry.n - 1 and entry.prev != last.leaf.hex():
            self.fault("seal", entry.n, "prev is not the leaf hash of the entry before")
        if entry.rev <= self.listed.get(entry.stream, 0):
            self.fault("seal", entry.n, "its rev is one of the record's")

    def check_outside(self, outside, first, second):
        notes = [(name, self.open_note(data, name)) for name, data in outside]
        self.check_contradictions(notes)
        for name, note in notes:
            if note is None:
                continue
            same = [own for own in (first, second) if own is not None and own.size == note.size]
            if not same:
                self.skip(f"the checkpoint {name}: of another size than those in the record")
            elif any(own.root != note.root for own in same):
                self.fault("checkpoints", None, f"{name}: another root at the same size; the book was rewritten")
            else:
                self.hold(note, True)

    # --- What was found.

    def result(self):
        trust = next((how for how in ("witness", "checkpoint", "key") if how in self.trusted), "self")
        last = next((entry for entry in reversed(self.entries) if entry.fields is not None), None)
        public = self.book_keys[-1][1] if self.book_keys else None
        if self.faults:
            verdict = "FAULTS FOUND"
        elif trust == "self":
            verdict = "CONSISTENT, NOT AUTHENTICATED"
        else:
            verdict = f"IN ORDER, AUTHENTICATED BY {trust.upper()}"
        states = list(self.signature_state.values())
        note = self.checkpoint
        count = {check: sum(fault["check"] == check for fault in self.faults) for check in self.looked}
        return {
            "ok": not self.faults,
            "trust": trust,
            "verdict": verdict,
            "book": self.book,
            "key": verifier_key(self.book, public) if public and self.book else None,
            "fingerprint": sha256(public).hex() if public else None,
            "entries": len(self.entries),
            "head": {"n": last.n, "leaf": last.leaf.hex()} if last else None,
            "checkpoint": {"size": note.size, "root": note.root.hex()} if note else None,
            "exposed": self.size - self.newest_outside,
            "policy": self.policy.sha256,
            "signatures": {state: states.count(state) for state in ("standing", "void", "compromised", "unknown")},
            "compromised": [
                {"account": account, "entries": [n for n in self.fallen if self.fallen[n] == key], "from": since, "key": key}
                for key, (account, since) in sorted(self.marks.items())
            ],
            "keys": [verifier_key(self.book, public) for _, public in self.book_keys] if self.book else [],
            "checks": [{"check": c, "looked_at": k, "faults": count[c]} for c, k in self.looked.items()],
            "faults": self.faults,
            "not_judged": [{"what": what, "count": count} for what, count in sorted(self.skipped.items())],
        }


OF_A_DUMP = ["bytes", "chain", "time", "tree", "checkpoints", "keys", "signatures", "separation", "captures"]
OF_A_RECORD = OF_A_DUMP + ["complete", "manifest", "seal", "zip", "plugins", "pdf"]
OF_PAGES = OF_A_DUMP + ["pdf"]


def printable(text):
    """Text from a record may hold anything; a terminal must not obey it."""
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in str(text))


def show(path, result):
    print(printable(f"{path}: {result['entries']} entries of the book {result['book']}"))
    for check in result["checks"]:
        faults = f"{check['faults']} FAULTS" if check["faults"] else "holds"
        print(f"  {check['check']:<12} {check['looked_at']:>9} looked at   {faults}")
    states = result["signatures"]
    print(
        f"signatures: {states['standing']} standing, {states['void']} void, {states['compromised']} not standing for a "
        f"compromised key, {states['unknown']} not known"
    )
    for mark in result["compromised"]:
        entries = ", ".join(map(str, mark["entries"])) or "none"
        print(printable(f"key compromised from n {mark['from']}, of {mark['account']}: {mark['key']}; not standing: {entries}"))
    for one in result["not_judged"]:
        print(printable(f"not judged: {one['count']} x {one['what']}"))
    for fault in result["faults"]:
        where = "" if fault["n"] is None else f" n={fault['n']}"
        print(printable(f"FAULT {fault['check']}{where}: {fault['what']}"))
    for key in result["keys"]:
        print(printable(f"key: {key}"))
    print(f"fingerprint: {result['fingerprint']}")
    if result["policy"]:
        print(f"policy: {result['policy']}")
    print(f"entries after the newest checkpoint from outside: {result['exposed']}")
    print(result["verdict"])


def run(arguments):
    parser = argparse.ArgumentParser(description="Checks a Tallyseal record without any of its software.")
    parser.add_argument("path", help="a sealed record (.zip), its pages (.pdf), or a dump: one entry per line, from entry 0 on")
    parser.add_argument("--key", help="the book's verifier key, known from outside")
    parser.add_argument("--checkpoint", action="append", default=[], help="a checkpoint kept outside; may be repeated")
    parser.add_argument("--witness-key", action="append", default=[], help="a witness whose cosignatures count")
    parser.add_argument("--policy", help="what to ask for: a TOML file with key, witness, quorum, compromised")
    parser.add_argument("--time-stamp", action="append", default=[], help="a time-stamp token: counted, and left to openssl ts")
    parser.add_argument("--json", action="store_true", help="the result as one JSON object")
    options = parser.parse_args(arguments)
    try:
        with open(options.path, "rb") as file:
            data = file.read()
        outside = []
        for name in options.checkpoint:
            with open(name, "rb") as file:
                outside.append((name, file.read()))
        given = read_verifier_key(options.key) if options.key else None
        text = None
        if options.policy:
            with open(options.policy, "rb") as file:
                text = file.read()
        policy = Policy(text, [read_witness_key(key) for key in options.witness_key])
        given = given or policy.key
    except (OSError, Bad, MemoryError) as error:
        print(f"could not run: {printable(error)}", file=sys.stderr)
        return 2
    is_zip = options.path.endswith(".zip") or (data.startswith(b"PK") and not options.path.endswith(".jsonl"))
    is_pdf = options.path.endswith(".pdf") or (data.startswith(b"%PDF-") and not options.path.endswith((".zip", ".jsonl")))
    if is_pdf:
        verifier = Verifier(OF_PAGES)
        verifier.policy = policy
        verifier.printed(data, given, outside)
    elif is_zip:
        verifier = Verifier(OF_A_RECORD)
        verifier.policy = policy
        verifier.sealed(data, given, outside)
    else:
        verifier = Verifier(OF_A_DUMP)
        verifier.policy = policy
        verifier.dump(data, given, outside)
    for _ in options.time_stamp:
        verifier.skip("a time-stamp: `openssl ts -verify -token_in -in TOKEN -data CHECKPOINT -CAfile FILE` judges it")
    result = verifier.result()
    if options.json:
        print(json.dumps(result, ensure_ascii=True))
    else:
        show(options.path, result)
    return 0 if result["ok"] else 1


def main():
    try:
        sys.stdout.reconfigure(encoding="utf-8", errors="backslashreplace")
        return run(sys.argv[1:])
    except BrokenPipeError:
        return 2
    except Exception as error:  # A defect of this program, never a verdict on the record.
        print(f"could not run: {type(error).__name__}: {printable(error)}", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
