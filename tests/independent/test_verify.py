#!/usr/bin/env python3
"""Tries verify.py on books and sealed records made here, sound ones and such as were tampered with.

    python3 tests/independent/test_verify.py

The maker below is written from schema/FORMAT.md too and takes nothing from verify.py, so the two check each other.
"""

import base64
import contextlib
import copy
import hashlib
import io
import json
import random
import re
import tempfile
import unittest
import zipfile
import zlib
from pathlib import Path
from unittest import mock

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

import verify

BOOK = "label-room.example/plant-1"
FORMAT = Path(__file__).resolve().parents[2] / "schema" / "FORMAT.md"


def jcs(value):
    # Enough for what is written here: no control characters but those that json writes the same way.
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def b64(data):
    return base64.b64encode(data).decode()


def h(*parts):
    return hashlib.sha256(b"".join(parts)).digest()


def leaf(data):
    return h(b"\0", data)


def root(leaves):
    if len(leaves) < 2:
        return leaves[0] if leaves else h()
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return h(b"\1", root(leaves[:k]), root(leaves[k:]))


def inclusion(n, leaves):
    if len(leaves) == 1:
        return []
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    if n < k:
        return inclusion(n, leaves[:k]) + [root(leaves[k:])]
    return inclusion(n - k, leaves[k:]) + [root(leaves[:k])]


def consistency(old, leaves, whole=True):
    if old == len(leaves):
        return [] if whole else [root(leaves)]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    if old <= k:
        return consistency(old, leaves[:k], whole) + [root(leaves[k:])]
    return consistency(old - k, leaves[k:], False) + [root(leaves[:k])]


def grant(role, until=None):
    """A role on a training; without `until` it does not end."""
    return {"role": role, "training": "TR-1"} | ({"until": until} if until else {})


class Key:
    def __init__(self, seed):
        self.private = Ed25519PrivateKey.from_private_bytes(bytes([seed]) * 32)
        self.public = self.private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
        self.name = h(self.public).hex()

    def sign(self, message):
        return b64(self.private.sign(message))


class Maker:
    """Makes a book, entry by entry. `entries` are dictionaries until they are written."""

    def __init__(self):
        self.key = Key(1)
        self.entries = []
        self.lines = []
        self.second = 0
        self.people = {}
        opened = {"name": BOOK, "public_key": b64(self.key.public), "zone": "Europe/Prague", "software": "test",
                  "format": 1, "hash": "sha-256", "sign": "ed25519"}  # fmt: skip
        self.add("book.opened", "book/B", opened)

    def time(self):
        self.second += 1
        return f"2026-03-02T06:{self.second // 60:02}:{self.second % 60:02}.000000Z"

    def revs(self, stream):
        return [entry for entry in self.entries if entry["stream"] == stream]

    def stream_root(self, stream, rev=None):
        lines = [self.lines[entry["n"]] for entry in self.revs(stream)[:rev]]
        return root([leaf(line) for line in lines]).hex()

    def by(self, who):
        if who is None:
            return {"system": "book"}
        return {"account": who, "device": "D-1", "name": self.people[who][0], "role": self.people[who][1], "session": "S-1"}

    def add(self, kind, stream, body, who=None, **more):
        entry = {"at": more.pop("at", None) or self.time(), "body": body, "book": BOOK, "by": self.by(who), "kind": kind,
                 "n": len(self.entries), "prev": leaf(self.lines[-1]).hex() if self.lines else "0" * 64,
                 "rev": len(self.revs(stream)) + 1, "stream": stream, "v": 1}  # fmt: skip
        entry.update(more)
        self.entries.append(entry)
        self.lines.append(jcs(entry))
        return entry

    def enrol(self, account, name, role, seed, founder=False, **changes):
        self.people[account] = (name, role, Key(seed))
        self.add("account.enrolled", f"account/{account}",
                 {"account": account, "name": name, "roles": [grant(role)], "founder": founder, "identity": "card seen"})  # fmt: skip
        self.enrol_key(account, Key(seed), None, **changes)

    def enrol_key(self, account, key, previous, /, **changes):
        statement = jcs({"account": account, "book": BOOK, "key": key.name, "previous": previous})
        body = {"account": account, "key": key.name, "public_key": b64(key.public),
                "proof": key.sign(b"tallyseal key v1\n" + statement)}  # fmt: skip
        if previous:
            body["previous"] = previous
        body.update(changes)
        self.add("account.key_enrolled", f"account/{account}", body)

    def sign(self, who, meaning, record, *also, key=None, stream=None, changes=None, by=None, **more):
        name, role, own = self.people[who]
        key = key or own
        covers = {one: {"rev": len(self.revs(one)), "root": self.stream_root(one)} for one in (record, *also)}
        body = {"account": who, "covers": covers, "key": key.name, "meaning": meaning, "name": name, "record": record,
                "role": role}  # fmt: skip
        body.update(changes or {})
        at = self.time()
        message = b"tallyseal signature v1\n" + jcs(body | {"at": at, "book": BOOK})
        body["sig"] = key.sign(message)
        more.setdefault("by", self.by(by or who) | {"role": body["role"]})
        return self.add("signature.applied", stream or record, body, at=at, **more)

    def note(self, size=None, key=None, book=BOOK, root_hash=None):
        size = len(self.lines) if size is None else size
        root_hash = root_hash or root([leaf(line) for line in self.lines[:size]])
        text = f"{book}\n{size}\n{b64(root_hash)}\n"
        key = key or self.key
        identity = h(book.encode(), b"\n\x01", key.public)[:4]
        return (f"{text}\n\u2014 {book} {b64(identity + base64.b64decode(key.sign(text.encode())))}\n").encode()

    def cosigned(self, witness, size=None, time=1_772_431_300, name="witness.example/w1"):
        """The note of that size with a witness's line, by the text of C2SP tlog-cosignature."""
        note = self.note(size)
        text = note.decode().split("\n\n")[0] + "\n"
        signature = base64.b64decode(witness.sign(f"cosignature/v1\ntime {time}\n{text}".encode()))
        identity = h(name.encode(), b"\n\x04", witness.public)[:4]
        return note + f"\u2014 {name} {b64(identity + time.to_bytes(8, 'big') + signature)}\n".encode()

    def vkey(self, key=None, book=BOOK):
        key = key or self.key
        typed = bytes([1]) + key.public
        return f"{book}+{h(book.encode() + bytes([10]), typed)[:4].hex()}+{b64(typed)}"

    def dump(self):
        return b"".join(line + b"\n" for line in self.lines)

    def chain(self):
        """Writes all lines anew after entries were changed, as one who can compute hashes would."""
        self.lines = []
        for n, entry in enumerate(self.entries):
            entry["n"] = n
            entry["prev"] = leaf(self.lines[-1]).hex() if self.lines else "0" * 64
            self.lines.append(jcs(entry))


PLUGIN = {"plugin.toml": b'api = 1\nname = "x"\n', "samples/a.capture": b"\x02A\x03"}
DIGEST = root([h(b"\0", path.encode(), b"\0", PLUGIN[path]) for path in sorted(PLUGIN)]).hex()
RAW = [b"\x02LABEL 1\x03", b"\x02LABEL 2\x03"]
MACHINE = {"plugin": DIGEST, "station": "T-01"}


def founded():
    """A book with its two founders, who confirmed each other, and a person of the label room."""
    book = Maker()
    book.enrol("U-0001", "Eva Nov\u00e1", "administrator", 11, founder=True)
    book.enrol("U-0002", "Tom Ostr\u00e1k", "reviewer", 12, founder=True)
    book.sign("U-0001", "identity confirmed", "account/U-0002")
    book.sign("U-0002", "identity confirmed", "account/U-0001")
    book.enrol("U-0007", "Ana \u017dilkov\u00e1", "label_room", 17)
    book.sign("U-0001", "identity confirmed", "account/U-0007")
    return book


def counted():
    """A book with a count that was captured, closed and signed."""
    book = founded()
    book.add("plugin.drafted", "plugin/P-1", {"digest": DIGEST}, "U-0001")
    opened = {"purpose": "incoming", "roll": "roll/R-000123", "station": "station/T-01"}
    book.add("count.opened", "count/C-0001", opened, "U-0007", act="6f1c2b1e-5c57-4a8e-9f0e-0d6f6d2f7a11")
    offset = 0
    for raw in RAW:
        segment = {"labels": 1, "length": len(raw), "lines": "00" * 32, "link": "main", "observed": 1,
                   "offset": offset, "sha256": h(raw).hex()}  # fmt: skip
        book.add("count.segment_captured", "count/C-0001", segment, by=MACHINE)
        offset += len(raw)
    book.add("count.closed", "count/C-0001", {"labels": 2}, "U-0007", why="roll end", occurred="2026-03-02T05:59:30.000000Z")
    book.sign("U-0007", "counted", "count/C-0001")
    book.add("remark.made", "roll/R-000999", {"text": "tab\there \"q\" \\ \u20ac \U0001f600"}, "U-0007")
    return book


LISTED = ["account/U-0001", "account/U-0002", "account/U-0007", "count/C-0001", "plugin/P-1"]


def seal(book, record="count/C-0001", listed=None, files=None, manifest=None, exported=None, first=None, entry=None):
    """The members of a sealed record, in their order; the book gets record.exported."""
    listed = listed or LISTED
    leaves = [leaf(line) for line in book.lines]
    size = len(leaves)
    inside = [entry for entry in book.entries if entry["n"] == 0 or entry["stream"] in listed]
    proofs = [{"leaf": leaves[e["n"]].hex(), "n": e["n"], "path": [p.hex() for p in inclusion(e["n"], leaves)]} for e in inside]
    members = {
        "entries.jsonl": b"".join(book.lines[entry["n"]] + b"\n" for entry in inside),
        "proofs.jsonl": b"".join(jcs(proof) + b"\n" for proof in proofs),
        "checkpoint.txt": first or book.note(),
        **{f"captures/{h(raw).hex()}": raw for raw in RAW},
        **{f"plugins/{DIGEST}/{path}": data for path, data in PLUGIN.items()},
        "schemas/count.closed.v1.json": jcs(
            {"type": "object", "properties": {"labels": {"type": "integer", "minimum": 0}}, "required": ["labels"],
             "additionalProperties": False}
        ),
    }  # fmt: skip
    members.update(files or {})
    members = {name: data for name, data in members.items() if data is not None}
    streams = {stream: len(book.revs(stream)) for stream in listed}
    about = {"book": BOOK, "files": {name: h(data).hex() for name, data in members.items()}, "record": record,
             "size": size, "streams": streams}  # fmt: skip
    about.update(manifest or {})
    members["manifest.json"] = jcs(about)
    body = {"manifest": h(members["manifest.json"]).hex(), "record": about["record"], "streams": about["streams"]}
    body.update(exported or {})
    changes = entry or {}
    entry = book.add("record.exported", about["record"], body, "U-0007")
    entry.update(changes)
    book.lines[-1] = jcs(entry)
    leaves = [leaf(line) for line in book.lines]
    proof = {"leaf": leaves[-1].hex(), "n": entry["n"], "path": [p.hex() for p in inclusion(entry["n"], leaves)]}
    line = {"consistency": [p.hex() for p in consistency(size, leaves)]}
    members["seal.jsonl"] = book.lines[-1] + b"\n" + jcs(proof) + b"\n" + jcs(line) + b"\n"
    members["seal.txt"] = book.note()
    return members


ATTACHED = ("checkpoint.txt", "entries.jsonl", "proofs.jsonl")


def pages(files, more=(), tail=b""):
    """A PDF of the strict form with these files attached; `more`: further objects."""
    objects, names = [], b""
    for name, data in files:
        number, packed = len(objects) + 2, zlib.compress(data)
        objects.append(b"<</Type/Filespec/F(%s)/UF(%s)/EF<</F %d 0 R>>>>" % (name, name, number + 1))
        head = b"<</Type/EmbeddedFile/Filter/FlateDecode/Length %d>>" % len(packed)
        objects.append(head + b"\nstream\n" + packed + b"\nendstream")
        names += b"(%s) %d 0 R " % (name, number)
    objects.insert(0, b"<</Type/Catalog/Names<</EmbeddedFiles<</Names[" + names + b"]>>>>>>")
    out, table = b"%PDF-1.7\n", b"0000000000 65535 f\r\n"
    for number, data in enumerate([*objects, *more], 1):
        table += b"%010d 00000 n\r\n" % len(out)
        out += b"%d 0 obj\n%s\nendobj\n" % (number, data)
    size = len(objects) + len(more) + 1
    end = b"trailer\n<</Size %d/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF" % (size, len(out))
    return out + b"xref\n0 %d\n" % size + table + end + tail


def attached(members):
    return [(name.encode(), members[name]) for name in ATTACHED]


def with_pages(book):
    pdf = pages(attached(seal(copy.deepcopy(book))))
    return seal(book, files={"record.pdf": pdf}, exported={"pdf": h(pdf).hex()})


def pack(members, method=zipfile.ZIP_STORED):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name, (2026, 3, 2, 6, 0, 0)), data, compress_type=method)
    return out.getvalue()


class Case(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        self.folder = Path(folder.name)
        # A meaning of the tests' own, so that they do not hang on one that a release may change.
        meaning = {"roll checked": (["roll"], ["reviewer"], ["count.opened"], ["counted"], False)}
        patch = mock.patch.dict(verify.MEANINGS, meaning)
        patch.start()
        self.addCleanup(patch.stop)

    def run_on(self, data, *arguments, name=None, checkpoints=()):
        kinds = {b"PK": "record.zip", b"%P": "record.pdf"}
        path = self.folder / (name or kinds.get(data[:2], "dump.jsonl"))
        path.write_bytes(data)
        for i, note in enumerate(checkpoints):
            (self.folder / f"note-{i}.txt").write_bytes(note)
            arguments += ("--checkpoint", str(self.folder / f"note-{i}.txt"))
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = verify.run([str(path), "--json", *arguments])
        self.assertIn(status, (0, 1), err.getvalue())
        result = json.loads(out.getvalue())
        self.assertEqual(status, 0 if result["ok"] else 1)
        self.assertEqual(result["ok"], not result["faults"])
        return result

    def sound(self, data, *arguments, **more):
        result = self.run_on(data, *arguments, **more)
        self.assertEqual(result["faults"], [])
        return result

    def faulty(self, data, check, n=..., *arguments, what="", **more):
        """A fault of that check, at that n, with that text in it; and the first of all where n is given."""
        result = self.run_on(data, *arguments, **more)
        found = [f for f in result["faults"] if f["check"] == check and n in (..., f["n"]) and what in f["what"]]
        self.assertTrue(found, result["faults"])
        return result


def witness_key(witness, name="witness.example/w1"):
    typed = bytes([4]) + witness.public
    return f"{name}+{h(name.encode() + bytes([10]), typed)[:4].hex()}+{b64(typed)}"


class Witnesses(Case):
    def asked(self, text):
        path = self.folder / "policy.toml"
        path.write_text(text)
        return "--policy", str(path)

    def policy(self, quorum, *witnesses, more=""):
        keys = ", ".join(f'"{witness_key(one)}"' for one in witnesses)
        return self.asked(f"witness = [{keys}]\nquorum = {quorum}\n{more}")

    def test_the_known_cosignature_holds(self):
        # The same known answer as in schema/src/witness.rs, made by `cryptography` apart from both.
        text = "label-room.example/plant-1\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
        line = (
            "\u2014 witness.example/w1 IDJKvgAAAABkGFDLLKQ+zp6jm9ZZtqPbs6YnrkqxAlRUpxV7Q1EV5pAWNTPnjIVJRU2nMhtl"
            "IwIIULi4KWBjjOx9UCdFk6NEFTH/AA==\n"
        )
        name, public = verify.read_witness_key("witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X")
        self.assertEqual(verify.Note(f"{text}\n{line}".encode()).cosigned_by(name, public), [1_679_315_147])
        with self.assertRaises(verify.Bad):
            verify.Note(f"{text}\n{line}".replace("163", "164").encode()).cosigned_by(name, public)

    def test_a_witness_that_was_named_speaks_for_what_it_cosigned(self):
        book, one = counted(), Key(88)
        zipped = pack(seal(book, first=book.cosigned(one)))
        self.assertEqual(self.sound(zipped, "--witness-key", witness_key(one))["trust"], "witness")
        self.assertEqual(self.sound(zipped)["trust"], "self")
        self.assertEqual(self.sound(zipped, "--witness-key", witness_key(Key(89)))["trust"], "self")
        result = self.sound(book.dump(), "--witness-key", witness_key(one), checkpoints=[book.cosigned(one, 5)])
        self.assertEqual((result["trust"], result["exposed"]), ("witness", len(book.lines) - 5))
        moved = book.cosigned(one, 5).split(b"\n\n")[1].splitlines(True)[1]
        spoiled = book.note(6) + moved
        self.faulty(book.dump(), "checkpoints", None, "--witness-key", witness_key(one), checkpoints=[spoiled])

    def test_a_policy_asks_for_a_quorum_and_a_key(self):
        book, one, two, three = counted(), Key(88), Key(89), Key(90)
        notes = [book.cosigned(one, 9), book.cosigned(two, 5), book.cosigned(two, 7)]
        for quorum, witnesses, size in [(1, (one, two, three), 9), (2, (one, two, three), 7), (1, (two,), 7)]:
            result = self.run_on(book.dump(), *self.policy(quorum, *witnesses), checkpoints=notes)
            self.assertEqual((result["faults"], result["trust"]), ([], "witness"))
            self.assertEqual(result["exposed"], len(book.lines) - 9)
            self.assertEqual(result["policy"], h((self.folder / "policy.toml").read_bytes()).hex())
        for quorum, witnesses in [(3, (one, two, three)), (2, (one, three)), (1, (three,))]:
            self.faulty(book.dump(), "require", None, *self.policy(quorum, *witnesses), checkpoints=notes)
        self.sound(pack(seal(book)), *self.asked(f'key = "{book.vkey()}"\n'))
        self.faulty(pack(seal(book)), "keys", 0, *self.asked(f'key = "{book.vkey(Key(99))}"\n'))

    def test_a_stolen_key_proves_nothing_unless_witnessed_before(self):
        book, one = counted(), Key(88)
        identity = book.vkey().split("+")[1]

        def trust(size, *witnesses, time=1_772_431_299):
            # 2026-03-02T06:01:40Z is 1772431300.
            stolen = f'[[compromised]]\nkey = "{identity}"\nfrom = {size}\nsince = "2026-03-02T06:01:40.000000Z"\n'
            policy = self.policy(len(witnesses), *witnesses, more=f"{stolen}")
            zipped = pack(seal(book, first=book.cosigned(one, time=time)))
            return self.run_on(zipped, "--key", book.vkey(), *policy)["trust"]

        self.assertEqual(trust(1_000), "key")
        self.assertEqual(trust(1), "self")
        self.assertEqual(trust(1, one), "witness")
        self.assertEqual(trust(1, one, time=1_772_431_300), "self")

    def test_a_policy_out_of_form_is_not_run_on(self):
        for text in ["x = 1\n", "key = 7\n", 'key = "a"\n', f'witness = ["{witness_key(Key(1))}"]\n', "quorum = 1\n", "["]:
            path = self.folder / "bad.toml"
            path.write_text(text)
            book = self.folder / "book.jsonl"
            book.write_bytes(counted().dump())
            with contextlib.redirect_stderr(io.StringIO()):
                self.assertEqual(verify.run([str(book), "--policy", str(path)]), 2, text)


class Books(Case):
    def test_a_sound_book_is_consistent_but_not_authenticated(self):
        result = self.sound(counted().dump())
        self.assertEqual((result["trust"], result["verdict"]), ("self", "CONSISTENT, NOT AUTHENTICATED"))
        self.assertEqual(result["signatures"], {"standing": 4, "void": 0, "compromised": 0, "unknown": 0})
        self.assertEqual(result["head"]["n"], result["entries"] - 1)
        looked = {check["check"]: check["looked_at"] for check in result["checks"]}
        self.assertEqual(looked["signatures"], 4)
        self.assertEqual(looked["captures"], 2)
        self.assertEqual(result["exposed"], result["entries"])

    def test_a_checkpoint_and_a_key_from_outside_authenticate(self):
        book = counted()
        result = self.sound(book.dump(), "--key", book.vkey(), checkpoints=[book.note(5), book.note(9), book.note(0)])
        self.assertEqual((result["trust"], result["exposed"]), ("checkpoint", len(book.lines) - 9))
        # A dump holds nothing that the book's key signed: the key alone says nothing about it.
        self.assertEqual(self.sound(book.dump(), "--key", book.vkey())["trust"], "self")
        self.faulty(book.dump(), "keys", 0, "--key", book.vkey(Key(99)))
        self.faulty(book.dump(), "keys", 0, "--key", book.vkey(book="another.example"))

    def test_a_changed_dropped_doubled_or_moved_line_breaks_the_chain(self):
        book = counted()
        lines = book.lines
        for k in range(1, len(lines) - 1):
            changed = lines[k].replace(b'"at":"2026', b'"at":"2027')
            self.faulty(b"\n".join([*lines[:k], changed, *lines[k + 1 :], b""]), "chain", k)
            self.faulty(b"\n".join([*lines[:k], *lines[k + 1 :], b""]), "chain", k)
            self.faulty(b"\n".join([*lines[:k], lines[k], *lines[k:], b""]), "chain", k)
            self.faulty(b"\n".join([*lines[:k], lines[k + 1], lines[k], *lines[k + 2 :], b""]), "chain", k)
        self.faulty(b"\n".join([*lines[1:], b""]), "chain", 1)
        self.faulty(b"", "chain", None)

    def test_a_cut_end_is_seen_by_a_checkpoint_and_by_nothing_else(self):
        book = counted()
        cut = b"".join(line + b"\n" for line in book.lines[:-2])
        self.sound(cut)
        self.faulty(cut, "checkpoints", len(book.lines) - 2, checkpoints=[book.note()])
        self.faulty(cut + book.lines[-2], "bytes", len(book.lines) - 2)

    def test_a_rewritten_book_is_seen_by_a_checkpoint_and_by_nothing_else(self):
        book = counted()
        note = book.note()
        forged = copy.deepcopy(book)
        forged.entries[-1]["body"]["text"] = "nothing"
        forged.chain()
        self.sound(forged.dump())
        self.faulty(forged.dump(), "tree", 0, checkpoints=[note])

    def test_what_a_signature_covers_cannot_be_rewritten_even_with_new_hashes(self):
        book = counted()
        closed = next(entry for entry in book.entries if entry["kind"] == "count.closed")
        closed["body"]["labels"] = 3
        book.chain()
        self.faulty(book.dump(), "signatures", closed["n"] + 1, what="stream root")

    def test_a_bad_checkpoint_is_refused(self):
        book = counted()
        dump = book.dump()
        self.faulty(dump, "checkpoints", None, checkpoints=[book.note(key=Key(99))])
        self.faulty(dump, "checkpoints", None, checkpoints=[book.note(book="other.example")])
        good = book.note(9)
        # A second line by the same key, whose signature differs in its last bit.
        signer, text = good.split(b"\n\n")[1].rsplit(b" ", 1)
        raw = base64.b64decode(text)
        second = signer + b" " + b64(raw[:-1] + bytes([raw[-1] ^ 1])).encode() + b"\n"
        for bad in (
            good.replace(b"\n9\n", b"\n8\n"),
            good.replace(b"\n9\n", b"\n09\n"),
            good.replace(b"\n", b"\r\n"),
            good[:-1],
            good.replace("\u2014".encode(), b"-"),
            good.replace(b"\n\n", b"\n"),
            b"",
            b"x" * 70_000,
            good + second,
        ):
            self.faulty(dump, "checkpoints", None, checkpoints=[bad])
        stranger = Key(5)
        text = good.split(b"\n\n")[0] + b"\n"
        lines = b"".join(
            f"\u2014 w{i}.example {b64(h(b'id')[:4] + stranger.private.sign(text))}\n".encode() for i in range(40)
        )
        self.sound(dump, checkpoints=[good + lines])

    def test_time_may_fall_only_at_a_clock_step(self):
        book = counted()
        early = "2026-03-02T05:00:00.000000Z"
        book.add("remark.made", "roll/R-1", {"text": "x"}, at=early)
        self.faulty(book.dump(), "time", len(book.lines) - 1)
        for change, sound in (({}, True), ({"from": early}, False), ({"to": "2026-03-02T05:00:01.000000Z"}, False)):
            book = counted()
            body = {"from": book.entries[-1]["at"], "to": early, "boot": "b", "mono_us": 1, "cause": "set"}
            book.add("clock.stepped", "book/B", body | change, at=early)
            if sound:
                self.sound(book.dump())
            else:
                self.faulty(book.dump(), "time", len(book.lines) - 1)

    def test_an_act_is_one_run_of_entries(self):
        act = "00000000-0000-4000-8000-000000000001"
        for same, sound in (({}, True), ({"who": "U-0001"}, False), ({"at": "2026-03-02T06:59:00.000000Z"}, False)):
            book = counted()
            first = book.add("remark.made", "roll/R-1", {"text": "x"}, "U-0007", act=act)
            more = {"who": "U-0007", "at": first["at"], "act": act} | same
            book.add("remark.made", "roll/R-1", {"text": "y"}, **more)
            if sound:
                self.sound(book.dump())
            else:
                self.faulty(book.dump(), "chain", len(book.lines) - 1)
        book.add("remark.made", "roll/R-1", {"text": "z"})
        book.add("remark.made", "roll/R-1", {"text": "z"}, act=act)
        self.faulty(book.dump(), "chain", len(book.lines) - 1, what="was there before")

    def test_bytes_have_one_form(self):
        book = counted()
        last = book.lines[-1]
        for bad in (
            last.replace(b'"v":1', b'"v":1.0'),
            last.replace(b'"v":1', b'"v": 1'),
            last.replace(b'"v":1', b'"v":1e0'),
            last.replace(b'"v":1', b'"v":true'),
            last.replace(b'"v":1', b'"v":9007199254740992'),
            last.replace(b'"v":1', b'"v":' + b"9" * 5000),
            last.replace(b'"v":1', b'"v":NaN'),
            last.replace(b'"v":1', b'"v":1,"v":1'),
            last.replace(b'"v":1', b'"w":1,"v":1'),
            last.replace(b'"v":1', b'"v":1,"x":1'),
            last.replace(b"tab", b"\\u0074ab"),
            last.replace(b"tab", b"\\ud800"),
            last.replace(b"tab", b"\xff"),
            last.replace(b"tab", b"a" * 262_144),
            last.replace(b"06:", b"6:"),
            last.replace(b"2026-03-02", b"2026-02-30"),
            last.replace(b'"text":', b'"t\xc3\xa9xt":'),
            last.replace(b'{"text":', b'{"a":' + b"[" * 16 + b"]" * 16 + b',"text":'),
            last.replace(b'{"text":', b'{"a":' + b"[" * 50_000 + b"]" * 50_000 + b',"text":'),
            b"\xef\xbb\xbf" + last,
            b"",
            b"[]",
            b"null",
        ):
            self.assertNotEqual(bad, last)
            self.faulty(b"\n".join([*book.lines[:-1], bad, b""]), "bytes", len(book.lines) - 1)

    def test_an_unknown_kind_is_not_judged(self):
        book = counted()
        book.add("roll.painted", "roll/R-1", {"colour": "red"})
        book.add("count.closed", "count/C-0001", {"labels": 2}, "U-0007", v=2)
        result = self.sound(book.dump())
        self.assertEqual(result["signatures"]["unknown"], 1)
        self.assertTrue([one for one in result["not_judged"] if "roll.painted" in one["what"]])

    def test_a_kind_stands_in_the_streams_of_its_row(self):
        book = counted()
        book.add("count.closed", "roll/R-1", {"labels": 2}, "U-0007")
        self.faulty(book.dump(), "bytes", len(book.lines) - 1, what="stands in roll/R-1")

    def test_entry_0_opens_the_book(self):
        for change, check in (
            ({"kind": "access.refused"}, "chain"),
            ({"stream": "book/C"}, "chain"),
            ({"book": "other.example"}, "chain"),
        ):
            book = founded()
            book.entries[0].update(change)
            book.chain()
            self.faulty(book.dump(), check, 0)
        for change in ({"format": 2}, {"hash": "md5"}, {"public_key": "AAAA"}, {"zone": 1}, {"more": 1}):
            book = founded()
            book.entries[0]["body"].update(change)
            book.chain()
            self.faulty(book.dump(), "bytes", 0)


class People(Case):
    def last(self, book, check, what, **more):
        return self.faulty(book.dump(), check, len(book.lines) - 1, what=what, **more)

    def test_a_signature_is_void_after_content_and_stands_after_anything_else(self):
        book = counted()
        book.add("remark.made", "count/C-0001", {"text": "x"}, "U-0007")
        self.assertEqual(self.sound(book.dump())["signatures"]["void"], 0)
        book.add("count.fault_disposed", "count/C-0001", {}, "U-0007")
        self.assertEqual(self.sound(book.dump())["signatures"]["void"], 1)
        book.sign("U-0007", "counted", "count/C-0001")
        self.assertEqual(self.sound(book.dump())["signatures"], {"standing": 4, "void": 1, "compromised": 0, "unknown": 0})

    def test_every_field_of_a_signature_is_held(self):
        for what, changes in (
            ("account, name or role differ", {"name": "Somebody Else"}),
            ("the name is not that", {"name": "Somebody Else"}),
            ("did not have the role", {"role": "supervisor"}),
            ("not signed as", {"role": "reviewer"}),
            ("is not signed on", {"meaning": "item approved"}),
            ("account is not at hand", {"account": "U-0099"}),
            ("among what it covers", {"covers": {}}),
            ("in another stream", {"record": "roll/R-000999"}),
            ("was not enrolled", {"key": "00" * 32}),
        ):
            book = counted()
            book.sign("U-0007", "counted", "count/C-0001", changes=changes)
            table = what in ("not signed as", "is not signed on")
            self.last(book, "separation" if table else "signatures", what)

    def test_covers_are_whole_and_true(self):
        for what, change in (
            ("but the last entry before it is", lambda book: {"rev": 2, "root": book.stream_root("count/C-0001", 2)}),
            ("but the last entry before it is", lambda book: {"rev": 9, "root": book.stream_root("count/C-0001")}),
            ("the stream root", lambda book: {"rev": 5, "root": "00" * 32}),
        ):
            book = counted()
            book.entries.pop(), book.lines.pop()
            book.entries.pop(), book.lines.pop()
            book.add("count.closed", "count/C-0001", {"labels": 2}, "U-0007")
            self.assertEqual(len(book.revs("count/C-0001")), 5)
            book.sign("U-0007", "counted", "count/C-0001", changes={"covers": {"count/C-0001": change(book)}})
            self.last(book, "signatures", what)
        book = counted()
        nothing = {"roll/R-5": {"rev": 1, "root": "00" * 32}}
        covers = {"count/C-0001": {"rev": 5, "root": book.stream_root("count/C-0001")}} | nothing
        book.sign("U-0007", "counted", "count/C-0001", changes={"covers": covers})
        self.last(book, "signatures", "which had no entry")

    def test_a_signature_cannot_be_moved_copied_or_made_with_another_key(self):
        book = counted()
        old = next(e for e in book.entries if e["kind"] == "signature.applied" and e["body"]["meaning"] == "counted")
        book.add("signature.applied", "count/C-0001", old["body"], "U-0007", at=old["at"])
        self.last(book, "signatures", "but the last entry before it is")
        book = counted()
        book.sign("U-0007", "counted", "count/C-0001")
        book.entries[-1]["at"] = "2026-03-02T07:00:00.000000Z"
        book.chain()
        self.last(book, "signatures", "Ed25519")
        book = counted()
        fake = Key(50)
        fake.name = Key(17).name
        book.sign("U-0007", "counted", "count/C-0001", key=fake)
        self.last(book, "signatures", "Ed25519")

    def test_a_time_stamp_is_counted_and_left_to_openssl(self):
        result = self.sound(counted().dump(), "--time-stamp", "kept.tst", "--time-stamp", "other.tst")
        self.assertEqual([one["count"] for one in result["not_judged"] if "openssl ts -verify" in one["what"]], [2])

    def test_an_unknown_meaning_is_not_judged_but_its_signature_is(self):
        book = counted()
        book.sign("U-0007", "admired", "count/C-0001")
        self.assertTrue([one for one in self.sound(book.dump())["not_judged"] if "admired" in one["what"]])

    def test_a_key_must_be_confirmed_by_a_second_account(self):
        book = counted()
        book.enrol("U-0008", "Jan", "label_room", 18)
        book.sign("U-0008", "counted", "count/C-0001")
        self.last(book, "signatures", "not confirmed")
        book.enrol("U-0009", "Ida", "reviewer", 19)
        book.sign("U-0009", "identity confirmed", "account/U-0009")
        self.faulty(book.dump(), "separation", len(book.lines) - 1)
        self.last(book, "signatures", "not confirmed")

    def test_a_founder_signs_unconfirmed_only_for_the_other_founder(self):
        book = Maker()
        book.enrol("U-0001", "Eva", "administrator", 11, founder=True)
        book.enrol("U-0002", "Tom", "reviewer", 12, founder=True)
        book.enrol("U-0003", "Max", "reviewer", 13)
        book.sign("U-0001", "identity confirmed", "account/U-0003")
        self.last(book, "signatures", "not confirmed")
        book = Maker()
        book.enrol("U-0001", "Eva", "administrator", 11, founder=True)
        book.enrol("U-0002", "Tom", "reviewer", 12)
        book.sign("U-0001", "identity confirmed", "account/U-0002")
        self.last(book, "signatures", "not confirmed")
        book = founded()
        book.enrol("U-0004", "Kim", "reviewer", 14, founder=True)
        self.faulty(book.dump(), "keys", len(book.lines) - 2, what="third founder")

    def test_a_retired_key_and_a_disabled_account_sign_no_more(self):
        book = counted()
        book.add("account.key_retired", "account/U-0007", {"account": "U-0007", "key": Key(17).name})
        book.sign("U-0007", "counted", "count/C-0001")
        self.last(book, "signatures", "retired")
        book.enrol_key("U-0007", Key(27), Key(17).name)
        book.sign("U-0007", "counted", "count/C-0001", key=Key(27))
        self.last(book, "signatures", "not confirmed")
        book = counted()
        book.add("account.key_retired", "account/U-0007", {"account": "U-0007", "key": Key(17).name})
        book.enrol_key("U-0007", Key(27), Key(17).name)
        book.sign("U-0002", "identity confirmed", "account/U-0007")
        book.sign("U-0007", "counted", "count/C-0001", key=Key(27))
        self.sound(book.dump())
        book.add("account.disabled", "account/U-0007", {"account": "U-0007"})
        book.sign("U-0007", "counted", "count/C-0001", key=Key(27))
        self.last(book, "signatures", "disabled")

    def test_roles_are_those_of_that_moment(self):
        book = counted()
        book.add("account.roles_changed", "account/U-0007", {"account": "U-0007", "roles": [grant("line")]})
        book.sign("U-0007", "counted", "count/C-0001")
        self.last(book, "signatures", "did not have the role")

    def test_a_role_is_good_before_its_end_and_not_at_it(self):
        def signed(until, *more):
            book = counted()
            granted = [grant("label_room", until), *more]
            book.add("account.roles_changed", "account/U-0007", {"account": "U-0007", "roles": granted})
            return book, book.sign("U-0007", "counted", "count/C-0001")["at"]

        _, at = signed("2099-01-01T00:00:00.000000Z")
        after = at.replace(".000000Z", ".000001Z")
        book, same = signed(at)
        self.assertEqual(same, at)
        self.last(book, "signatures", f"had expired at {at}")
        self.last(signed("2026-01-01T00:00:00.000000Z", grant("line"))[0], "signatures", "had expired")
        self.sound(signed(after)[0].dump())
        self.sound(signed(at, grant("label_room"))[0].dump())

    def test_a_grant_has_its_form(self):
        for wrong in ("line", {"role": "line"}, {"role": "moon", "training": "x"}, grant("line", "tomorrow"),
                      grant("line") | {"since": "2026-01-01T00:00:00.000000Z"}):  # fmt: skip
            book = counted()
            book.add("account.roles_changed", "account/U-0007", {"account": "U-0007", "roles": [wrong]})
            self.faulty(book.dump(), "bytes", len(book.lines) - 1, what="roles is out of form")

    def test_a_key_is_enrolled_as_it_should_be(self):
        for what, key, previous, changes in (
            ("not its SHA-256", Key(27), Key(17).name, {"key": "00" * 32}),
            ("proof", Key(27), Key(17).name, {"proof": Key(28).sign(b"x")}),
            ("previous", Key(27), Key(12).name, {}),
            ("previous", Key(27), None, {}),
            ("enrolled before", Key(12), Key(17).name, {}),
            ("enrolled before", Key(17), Key(17).name, {}),
        ):
            book = counted()
            book.enrol_key("U-0007", key, previous, **changes)
            self.last(book, "keys", what)
        book = counted()
        book.enrol_key("U-0007", Key(27), Key(17).name)
        book.entries[-1]["stream"] = "account/U-0002"
        book.entries[-1]["rev"] = len(book.revs("account/U-0002"))
        book.chain()
        self.last(book, "keys", "stands in")

    def test_a_key_of_small_order_signs_nothing(self):
        neutral = bytes([1]) + bytes(31)
        name = h(neutral).hex()
        book = counted()
        book.enrol_key("U-0007", Key(27), Key(17).name, key=name, public_key=b64(neutral), proof=b64(neutral + bytes(32)))
        self.last(book, "keys", "proof")
        # All eight points, and the encodings beyond the prime.
        for y in (0, 1, verify.PRIME - 1, verify.PRIME, verify.PRIME + 1):
            for sign in (0, 1 << 255):
                self.assertTrue(verify.of_small_order((y | sign).to_bytes(32, "little")))
        eighth = bytes.fromhex("26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05")
        self.assertTrue(verify.of_small_order(eighth))
        self.assertFalse(verify.of_small_order(Key(17).public))

    def test_who_may_not_both(self):
        book = counted()
        book.people["U-0007"] = ("Ana \u017dilkov\u00e1", "label_room", Key(17))
        book.sign("U-0007", "count checked", "count/C-0001")
        self.last(book, "separation", "made count.opened")
        self.last(book, "separation", "'counted'")
        book = counted()
        book.enrol("U-0008", "Jan", "label_room", 18)
        book.sign("U-0001", "identity confirmed", "account/U-0008")
        book.sign("U-0008", "count checked", "count/C-0001")
        self.sound(book.dump())
        # Also where the deed lies in a stream that is only covered.
        book = counted()
        book.add("roll.held", "roll/R-000999", {})
        book.people["U-0002"] = ("Tom Ostr\u00e1k", "reviewer", Key(12))
        book.add("count.opened", "count/C-0002", {}, "U-0002")
        book.sign("U-0002", "roll checked", "roll/R-000999", "count/C-0002")
        self.last(book, "separation", "count/C-0002")


class Records(Case):
    def test_a_sound_record(self):
        book = counted()
        zipped = pack(with_pages(book))
        result = self.sound(zipped)
        self.assertEqual((result["trust"], result["verdict"]), ("self", "CONSISTENT, NOT AUTHENTICATED"))
        self.assertTrue(all(check["looked_at"] for check in result["checks"]), result["checks"])
        self.assertEqual(self.sound(zipped, "--key", book.vkey())["trust"], "key")
        for size in (len(book.lines), len(book.lines) - 1):
            self.assertEqual(self.sound(zipped, checkpoints=[book.note(size)])["trust"], "checkpoint")
        self.assertEqual(self.sound(zipped, checkpoints=[book.note(3)])["trust"], "self")
        self.faulty(zipped, "keys", 0, "--key", book.vkey(Key(99)))
        other = book.note(root_hash=bytes(32))
        self.faulty(zipped, "checkpoints", None, checkpoints=[other], what="rewritten")

    def test_entries_between_the_checkpoints_are_allowed(self):
        book = counted()
        first = book.note()
        size = len(book.lines)
        book.add("remark.made", "roll/R-1", {"text": "x"}, "U-0007")
        members = seal(book)
        leaves = [leaf(line) for line in book.lines]
        inside = [entry for entry in book.entries[:size] if entry["n"] == 0 or entry["stream"] in LISTED]
        proofs = [
            {"leaf": leaves[e["n"]].hex(), "n": e["n"], "path": [p.hex() for p in inclusion(e["n"], leaves[:size])]}
            for e in inside
        ]
        book.entries.pop(), book.lines.pop()
        files = {"proofs.jsonl": b"".join(jcs(proof) + b"\n" for proof in proofs)}
        members = seal(book, files=files, manifest={"size": size}, first=first)
        leaves = [leaf(line) for line in book.lines]
        lines = members["seal.jsonl"].split(b"\n")
        lines[2] = jcs({"consistency": [p.hex() for p in consistency(size, leaves)]})
        members["seal.jsonl"] = b"\n".join(lines)
        self.sound(pack(members))

    def test_the_pages_file_has_attached_what_the_record_holds(self):
        members = seal(counted())
        other = pages([(name, data + b"x") for name, data in attached(members)])
        self.faulty(pack(seal(counted(), files={"record.pdf": other}, exported={"pdf": h(other).hex()})), "pdf", what="is not")

    def test_the_pages_file_alone_proves_what_is_attached_to_it(self):
        files = attached(seal(counted()))
        result = self.sound(pages(files))
        self.assertEqual(result["entries"], 16)
        self.assertTrue(any("UNPROVEN" in one["what"] for one in result["not_judged"]))
        changed = [(name, data.replace(b"Ana", b"Eva")) for name, data in files]
        self.faulty(pages(changed), "tree")
        hidden = b"<</Type/EmbeddedFile/Length 1>>\nstream\nx\nendstream"
        for spoiled in (
            pages(files, tail=b"\n%"),
            pages(files + files[:1]),
            pages(files[:2]),
            pages([*files, (b"more.txt", b"x")]),
            pages(files, more=[hidden]),
            pages(files, more=[b"<</Subtype/FileAttachment/FS<</EF<</F 3 0 R>>>>>>"]),
            pages(files, more=[b"<</Type/ObjStm/Length 1>>\nstream\nx\nendstream"]),
            pages(files, more=[b"<</A 1/A 2>>"]),
            pages(files, more=[b"[" * 99]),
            pages(files).replace(b"endobj\n2 0 obj", b"endobj\nx2 0 obj"),
            b"%PDF-1.7",
        ):
            self.faulty(spoiled, "pdf")

    def test_a_member_that_was_changed_dropped_or_added_is_seen(self):
        members = seal(counted())
        for name in members:
            check = "seal" if name.startswith(("manifest", "seal")) else "manifest"
            changed = members | {name: members[name][:-1] + bytes([members[name][-1] ^ 1])}
            self.assertFalse(self.run_on(pack(changed))["ok"], name)
            if name not in ("manifest.json", "seal.txt"):
                self.faulty(pack(changed), check)
            less = {one: data for one, data in members.items() if one != name}
            self.faulty(pack(less), "manifest", what="missing")
        self.faulty(pack(members | {"more.txt": b""}), "manifest", what="not named")

    def test_a_record_forged_without_the_books_key_is_seen(self):
        book = counted()
        forged = copy.deepcopy(book)
        forged.entries[-1]["body"]["text"] = "nothing"
        forged.key = Key(99)
        forged.chain()
        self.faulty(pack(seal(forged)), "checkpoints", what="not signed by the book's key")
        forged.entries = forged.entries[: len(book.entries)]
        forged.entries[0]["body"]["public_key"] = b64(forged.key.public)
        forged.chain()
        zipped = pack(seal(forged))
        self.faulty(zipped, "keys", 0, "--key", book.vkey())

    def test_what_the_manifest_says_is_what_was_exported(self):
        for exported in (
            {"manifest": "00" * 32},
            {"record": "plugin/P-1"},
            {"streams": {"count/C-0001": 1}},
            {"pdf": "00" * 32},
        ):
            self.faulty(pack(seal(counted(), exported=exported)), "seal")
        self.faulty(pack(seal(counted(), manifest={"size": 3})), "manifest", what="size")
        self.faulty(pack(seal(counted(), manifest={"book": "other.example"})), "manifest", what="another book")
        self.faulty(pack(seal(counted(), manifest={"more": 1})), "manifest", what="not known")

    def test_a_record_is_complete(self):
        book = counted()
        streams = {stream: len(book.revs(stream)) for stream in LISTED}
        more = seal(counted(), manifest={"streams": streams | {"count/C-0001": 9}})
        self.faulty(pack(more), "complete", what="is missing")
        less = seal(counted(), manifest={"streams": streams | {"count/C-0001": 2}})
        self.faulty(pack(less), "complete", what="is listed to 2")
        none = dict(streams)
        del none["plugin/P-1"]
        self.faulty(pack(seal(counted(), manifest={"streams": none})), "complete", what="not listed")
        self.faulty(pack(seal(counted(), record="roll/R-000999")), "complete", what="own stream")
        # The signer's account left away: its signature can no longer be judged, and that is said.
        self.faulty(pack(seal(counted(), listed=[s for s in LISTED if s != "account/U-0007"])), "signatures")

    def test_a_cover_outside_the_record_is_counted_and_no_fault(self):
        book = founded()
        book.add("roll.held", "roll/R-1", {}, "U-0001")
        book.add("roll.held", "roll/R-2", {}, "U-0001")
        book.sign("U-0002", "roll checked", "roll/R-1", "roll/R-2")
        listed = ["account/U-0001", "account/U-0002", "roll/R-1"]
        files = {name: None for name in seal(copy.deepcopy(book), record="roll/R-1", listed=listed) if "/" in name}
        result = self.sound(pack(seal(book, record="roll/R-1", listed=listed, files=files)))
        self.assertTrue([one for one in result["not_judged"] if "cover" in one["what"]])

    def test_captures_and_plugins_are_there_and_true(self):
        capture = f"captures/{h(RAW[0]).hex()}"
        for files in ({capture: None}, {capture: RAW[0] + b"x"}, {f"captures/{'00' * 32}": b"x"}):
            self.faulty(pack(seal(counted(), files=files)), "captures")
        path = f"plugins/{DIGEST}/plugin.toml"
        for files in (
            {path: b"other"},
            {path: None},
            {f"plugins/{DIGEST}/more": b""},
            {f"plugins/{DIGEST}/.hidden": b""},
            {f"plugins/{DIGEST}/a/b/c/d": b""},
            {f"plugins/{DIGEST}/A": b""},
            {f"plugins/{DIGEST}/samples": b""},
            {f"plugins/{DIGEST}/{one}": None for one in PLUGIN},
        ):
            self.faulty(pack(seal(counted(), files=files)), "plugins")
        book = counted()
        segment = next(entry for entry in book.entries if entry["kind"] == "count.segment_captured")
        segment["body"]["offset"] = 1
        book.chain()
        self.faulty(book.dump(), "captures", segment["n"])

    def test_a_body_is_held_against_the_schema_in_the_record(self):
        name = "schemas/count.closed.v1.json"
        closed = next(entry for entry in counted().entries if entry["kind"] == "count.closed")
        for schema, what in (
            ({"type": "object", "properties": {"labels": {"$ref": "#/$defs/L"}}, "$defs": {"L": {"const": 2}}}, "sound"),
            ({"properties": {"labels": {"enum": [1, 2]}}}, "sound"),
            ({"properties": {"labels": {"anyOf": [{"const": 2}, {"type": "integer"}]}}}, "sound"),
            ({"properties": {"labels": {"minimum": 2, "maximum": 2}}}, "sound"),
            ({"patternProperties": {"^[0-9a-f]{64}$": False}}, "sound"),
            ({"properties": {"labels": True}, "additionalProperties": False}, "sound"),
            ({"properties": {"labels": {"const": 3}}}, "faulty"),
            ({"properties": {"labels": {"enum": [True, "2"]}}}, "faulty"),
            ({"properties": {"labels": {"type": ["string", "null"]}}}, "faulty"),
            ({"properties": {"labels": {"maximum": 1}}}, "faulty"),
            ({"properties": {"labels": {"minimum": 3}}}, "faulty"),
            ({"properties": {"labels": False}}, "faulty"),
            ({"required": ["total"]}, "faulty"),
            ({"additionalProperties": False}, "faulty"),
            ({"additionalProperties": {"type": "string"}}, "faulty"),
            ({"properties": {"labels": {"oneOf": [{"const": 2}, {"type": "integer"}]}}}, "faulty"),
            ({"allOf": [{}, {"required": ["total"]}]}, "faulty"),
            # No half judgement, and no schema makes the program run on.
            ({"if": True}, "not judged"),
            ({"properties": {"labels": {"pattern": "(a+)+$"}}}, "not judged"),
            ({"patternProperties": {"(a+)+$": True}}, "not judged"),
            ({"$ref": "#/$defs/L", "$defs": {"L": {"$ref": "#/$defs/L"}}}, "not judged"),
            ({"$ref": "#/$defs/L", "$defs": {"L": {"allOf": [{"$ref": "#/$defs/L"}] * 9}}}, "not judged"),
            ({"$ref": "elsewhere.json"}, "not judged"),
            ({"anyOf": [{"anyOf": [{"anyOf": [{"const": 0}] * 99}] * 99}] * 99}, "not judged"),
            ({"type": "what"}, "not judged"),
            ({"required": 7}, "not judged"),
        ):
            data = pack(seal(counted(), files={name: json.dumps(schema).encode()}))
            with self.subTest(schema=str(schema)[:80]):
                if what == "faulty":
                    self.faulty(data, "bytes", closed["n"])
                else:
                    unjudged = [one for one in self.sound(data)["not_judged"] if "count.closed" in one["what"]]
                    self.assertEqual(bool(unjudged), what == "not judged")
        self.faulty(pack(seal(counted(), files={name: b"{"})), "manifest")

    def test_each_proof_is_of_its_entry(self):
        lines = seal(counted())["proofs.jsonl"].split(b"\n")
        for bad in (
            [lines[1], lines[0], *lines[2:]],
            lines[1:],
            [lines[0].replace(b'"n":0', b'"n":1'), *lines[1:]],
            [re.sub(rb'"path":\["..', b'"path":["00', lines[0]), *lines[1:]],
            [re.sub(rb'"path":\["[0-9a-f]*",', b'"path":[', lines[0]), *lines[1:]],
            [lines[0].replace(b'"path":[', b'"path":["' + b"0" * 64 + b'",'), *lines[1:]],
            [b"{}", *lines[1:]],
        ):
            self.faulty(pack(seal(counted(), files={"proofs.jsonl": b"\n".join(bad)})), "tree")

    def test_the_second_checkpoint_continues_the_first(self):
        members = seal(counted())
        entry, proof, line, _ = members["seal.jsonl"].split(b"\n")
        for bad in (b'{"consistency":[]}', line[:17] + b"00" + line[19:], line[:16] + b'"' + b"0" * 64 + b'",' + line[16:]):
            self.assertNotEqual(bad, line)
            changed = members | {"seal.jsonl": b"\n".join([entry, proof, bad, b""])}
            self.faulty(pack(changed), "seal", what="to seal.txt")
        for bad in (
            [entry, proof, b"{}", b""],
            [entry, proof.replace(b'"n":', b'"n":1'), line, b""],
            [entry, proof, line],
            [entry, proof, line, line, b""],
            [proof, proof, line, b""],
            [entry.replace(b"record.exported", b"record.imported"), proof, line, b""],
            [members["entries.jsonl"].split(b"\n")[-2], proof, line, b""],
        ):
            self.faulty(pack(members | {"seal.jsonl": b"\n".join(bad)}), "seal")
        # Back to front: the sealing entry must lie between the two.
        swapped = members | {"seal.txt": members["checkpoint.txt"]}
        self.faulty(pack(swapped), "seal", what="younger")

    def test_the_zip_is_strict(self):
        members = seal(counted())
        good = pack(members)
        self.sound(good)
        self.faulty(pack(members, zipfile.ZIP_DEFLATED), "zip")
        self.faulty(good + b"\0", "zip")
        self.faulty(b"PK\x03\x04" + good, "zip")
        with_comment = io.BytesIO(good)
        with zipfile.ZipFile(with_comment, "a") as archive:
            archive.comment = b"hello"
        self.faulty(with_comment.getvalue(), "zip")
        for name in ("../x", "/x", "a//b", "a/", "a b", "a/./b"):
            self.faulty(pack(members | {name: b""}), "zip")
        doubled = pack(members | {"seal.tyt": members["seal.txt"]}).replace(b"seal.tyt", b"seal.txt")
        self.faulty(doubled, "zip", what="twice")

    def test_any_damage_is_a_fault_and_never_a_crash(self):
        good = pack(seal(counted()))
        central = int.from_bytes(good[-6:-2], "little")
        ignored = set()
        at = central
        while good[at : at + 4] == b"PK\x01\x02":
            ignored.update([at + 4, at + 5, *range(at + 36, at + 42)])
            at += 46 + int.from_bytes(good[at + 28 : at + 30], "little")
        chance = random.Random(7)
        for place in chance.sample(range(len(good)), 250):
            bad = bytearray(good)
            bad[place] ^= chance.randrange(1, 256)
            self.assertEqual(self.run_on(bytes(bad), name="r.zip")["ok"], place in ignored, place)
        for _ in range(40):
            self.assertFalse(self.run_on(good[: chance.randrange(len(good))], name="r.zip")["ok"])
        for size in (0, 1, 21, 22, 23, 300):
            self.assertFalse(self.run_on(chance.randbytes(size), name="r.zip")["ok"])
            self.assertFalse(self.run_on(chance.randbytes(size), name="r.jsonl")["ok"])

    def test_any_member_may_hold_anything_without_a_crash(self):
        members = seal(counted())
        chance = random.Random(8)
        things = [b"", b"{}\n", b"[]\n", b"null\n", b"{}\n{}\n{}\n", b"\xff\n", b"[" * 3000, b'{"n":1}\n' * 3]
        for name in members:
            for data in [*things, chance.randbytes(60), members[name] * 2]:
                self.assertFalse(self.run_on(pack(members | {name: data}))["ok"], (name, data[:20]))


class Parts(Case):
    """Rules that another rule would mostly catch as well, each alone."""

    def refuses(self, what, call, *arguments):
        with self.assertRaisesRegex(verify.Bad, what):
            call(*arguments)

    def test_each_rule_of_a_note(self):
        book = founded()
        good = book.note(3)
        text, line = good.decode().split("\n\n")
        for what, bad in (
            ("65,536", text + "\n" + "x" * 65_536 + "\n\n" + line),
            ("control character", text + "\n\tx\n\n" + line),
            ("no empty line", text + "\n" + line),
            ("no empty line", text + "\n\n" + line[:-1]),
            ("signature line out of form", text + "\n\n" + line.replace("\u2014", "-")),
            ("no empty line, or no signature", text + "\n\n" + line + "\n"),
            ("signature line out of form", text + "\n\n" + line.replace("=", "")),
            ("signature line out of form", text + "\n\n\u2014 a+b AAAAAAAA\n"),
            ("signature line out of form", text + "\n\n\u2014 a AAAAAA==\n"),
            ("three lines", "\n".join(text.split("\n")[:2]) + "\n\n" + line),
            ("three lines", text + "\n\nx\n\n" + line),
            ("out of form", text.replace("\n3\n", "\n03\n") + "\n\n" + line),
            ("out of form", text.replace("\n3\n", "\n-3\n") + "\n\n" + line),
            ("out of form", text.replace("label", "Label") + "\n\n" + line),
            ("out of form", text[:-1] + "\n\n" + line),
        ):
            self.refuses(what, verify.Note, bad.encode())
        self.refuses("UTF-8", verify.Note, b"\xff")
        note = verify.Note((text + "\nmore\n\n" + line).encode())
        self.assertEqual((note.size, len(note.lines)), (3, 1))
        self.refuses("not good", note.signed_by, BOOK, book.key.public)
        self.assertFalse(note.signed_by(BOOK, Key(9).public))
        self.assertTrue(verify.Note(good).signed_by(BOOK, book.key.public))

    def test_each_rule_of_a_plugin(self):
        for what, files in (
            ("1 to 64 files", {}),
            ("1 to 64 files", {f"f{i}": b"" for i in range(65)}),
            ("larger", {"a": bytes(1_048_577)}),
            ("folder", {"a": b"", "a/b": b""}),
            *(("path", {path: b""}) for path in ("A", "a/b/c/d", ".a", "a/.b", "a//b", "", "a/..", "a b", "a\n")),
        ):
            self.refuses(what, verify.plugin_digest, files)
        self.assertEqual(len(verify.plugin_digest({f"f{i}": b"" for i in range(64)})), 32)
        self.assertEqual(verify.plugin_digest({"a": b"b"}), h(b"\0a\0b"))

    def test_each_rule_of_the_zip(self):
        good = pack({"a": b"one", "b": b"two!"})
        first, second, central, end = 0, 34, 69, len(good) - 22

        def with_bytes(*changes):
            out = bytearray(good)
            for at, value in changes:
                out[at : at + len(value)] = value
            return bytes(out)

        def both(field, value):
            return with_bytes((second + 4 + field, value), (central + 47 + 6 + field, value))

        short = b"PK\x03\x04" + bytes(26) + b"PK\x01\x02" + bytes(2)
        short += b"PK\x05\x06" + bytes(4) + b"\1\0\1\0" + (6).to_bytes(4, "little") + (30).to_bytes(4, "little") + bytes(2)
        for what, bad in (
            ("too early", short),
            ("no end record", good[:-1]),
            ("no end record", b""),
            ("in parts", with_bytes((end + 4, b"\1"))),
            ("with a comment", with_bytes((end + 20, b"\1"))),
            ("of 64 bits", with_bytes((end + 8, b"\xff\xff\xff\xff"))),
            ("do not end where", with_bytes((end + 12, b"\0"))),
            ("do not end where", good[:end] + b"x" + good[end:]),
            ("no header", with_bytes((first, b"QK"))),
            ("no header", with_bytes((central, b"QK"))),
            ("no header", with_bytes((end + 8, b"\3\0\3\0"))),
            ("plain stored", both(0, b"\x2d")),
            ("plain stored", both(2, b"\1")),
            ("plain stored", both(4, b"\x08")),
            ("plain stored", both(14, b"\5")),
            ("plain stored", with_bytes((central + 32, b"\1"))),
            ("plain stored", with_bytes((central + 34, b"\1"))),
            ("do not follow", with_bytes((central + 47 + 42, b"\0"))),
            ("two headers of a member differ", with_bytes((second + 10, b"\1"))),
            ("two headers of a member differ", with_bytes((second + 30, b"c"))),
            ("runs into the headers", both(14, b"\x0f\0\0\0\x0f")),
            ("not a member's name", with_bytes((second + 30, b"?"), (central + 47 + 46, b"?"))),
            ("twice", with_bytes((second + 30, b"a"), (central + 47 + 46, b"a"))),
            ("checksum", with_bytes((second + 31, b"T"))),
            ("stands between", both(14, b"\3\0\0\0\3")),
            ("stands between", with_bytes((end + 8, b"\1\0\1\0"))),
        ):
            found = []
            verify.read_zip(bad, found.append)
            self.assertTrue(any(what in one for one in found), (what, found))
        found = []
        self.assertEqual(verify.read_zip(good, found.append), {"a": b"one", "b": b"two!"})
        self.assertEqual(found, [])

    def test_each_rule_of_the_chain(self):
        def changed(place, what="", at=None, **fields):
            book = counted()
            book.entries[place].update(fields)
            book.lines = [jcs(entry) for entry in book.entries]
            self.faulty(book.dump(), "chain", fields.get("n", place) if at is None else at, what=what)

        changed(3, at=3, n=9, what="where 3 must stand")
        changed(4, n=2, what="does not ascend")
        changed(0, n=1, what="the first entry is not entry 0")
        changed(3, book="other.example", what="is of the book")
        changed(3, rev=9, what="rev of")
        changed(0, prev="11" * 32, what="not zeros")
        changed(0, body=counted().entries[0]["body"] | {"name": "other.example"}, what="opened is not")
        changed(3, prev="11" * 32, what="does not follow")

    def test_each_rule_of_keys(self):
        def last(book, check, what):
            self.faulty(book.dump(), check, len(book.lines) - 1, what=what)

        book = counted()
        body = {"account": "U-0007", "name": "Ana", "roles": [grant("line")], "founder": False, "identity": "x"}
        book.add("account.enrolled", "account/U-0007", body)
        last(book, "keys", "a second time")
        book = counted()
        book.add("account.key_retired", "account/U-0007", {"account": "U-0007", "key": "00" * 32})
        last(book, "keys", "not enrolled")
        book = counted()
        book.add("remark.made", "account/U-0099", {"text": "x"})
        book.sign("U-0001", "identity confirmed", "account/U-0099")
        last(book, "keys", "without a key")
        book = founded()
        book.entries[0]["body"]["public_key"] = b64(bytes([1]) + bytes(31))
        book.chain()
        self.faulty(book.dump(), "keys", 0, what="small order")

    def test_the_books_key_changes_by_its_own_signature(self):
        new = Key(90)

        def enrolled(**changes):
            book = counted()
            message = b"tallyseal book key v1\n" + jcs({"book": BOOK, "key": new.name})
            body = {"key": new.name, "public_key": b64(new.public), "proof": book.key.sign(message)}
            body.update(changes)
            book.add("book.key_enrolled", "book/B", body)
            return book

        book = enrolled()
        size = len(book.lines)
        before, after = book.note(size - 1), book.note(size, key=new)
        self.assertEqual(self.sound(book.dump(), "--key", book.vkey(), checkpoints=[before, after])["trust"], "checkpoint")
        self.faulty(book.dump(), "checkpoints", None, checkpoints=[book.note(size)])
        self.faulty(book.dump(), "checkpoints", None, checkpoints=[book.note(size - 1, key=new)])
        for what, changes in (
            ("not its SHA-256", {"key": "00" * 32}),
            ("not signed by the one before", {"proof": new.sign(b"x")}),
        ):
            self.faulty(enrolled(**changes).dump(), "keys", size - 1, what=what)
        self.faulty(enrolled(proof="AAAA").dump(), "bytes", size - 1, what="body of book.key_enrolled")
        # The newer key does not vouch for a checkpoint of before its time; in a record it does for one of after it.
        listed = [*LISTED, "book/B"]
        for key in (None, new):
            book = enrolled()
            old, book.key = book.key, new
            record = pack(seal(book, listed=listed))
            vkey = book.vkey(key or old)
            self.assertEqual(self.sound(record, "--key", vkey)["trust"], "key")
        book = enrolled()
        message = b"tallyseal book key v1\n" + jcs({"book": BOOK, "key": book.key.name})
        again = {"key": book.key.name, "public_key": b64(book.key.public), "proof": new.sign(message)}
        book.add("book.key_enrolled", "book/B", again)
        self.faulty(book.dump(), "keys", size, what="had that key before")

    def test_a_compromised_key_of_the_book_vouches_for_nothing_from_there_on(self):
        def marked(since, key=None):
            book = counted()
            first, new = book.key, Key(90)
            message = b"tallyseal book key v1\n" + jcs({"book": BOOK, "key": new.name})
            body = {"key": new.name, "public_key": b64(new.public), "proof": first.sign(message)}
            enrolled = book.add("book.key_enrolled", "book/B", body)["n"]
            book.key = new
            since = enrolled if since is None else since
            mark = {"from": since, "key": (key or first).name}
            book.add("book.key_compromised", "book/B", mark, "U-0001", why="a laptop was stolen")
            return book, first, enrolled

        listed = [*LISTED, "book/B"]
        # The first key was compromised when it vouched; only who has the second from elsewhere knows the book by it.
        for since, trust in ((None, "self"), (0, "self"), (10_000, "key")):
            book, first, _ = marked(since)
            record = pack(seal(book, listed=listed))
            self.assertEqual(self.sound(record, "--key", book.vkey(first))["trust"], trust)
            self.assertEqual(self.sound(record, "--key", book.vkey())["trust"], "key")
        book, _, enrolled = marked(1, Key(90))
        record = pack(seal(book, listed=listed))
        self.assertEqual(self.sound(record, "--key", book.vkey())["trust"], "self")
        book, _, enrolled = marked(1, Key(91))
        self.faulty(book.dump(), "keys", enrolled + 1, what="none of the book's")

    def test_what_a_compromised_key_signed_does_not_stand(self):
        def marked(who, since):
            book = counted()
            key = book.people[who][2].name
            for kind, more in (("compromised", {"from": since}), ("retired", {})):
                body = {"account": who, "key": key, **more}
                book.add(f"account.key_{kind}", f"account/{who}", body, "U-0001", why="a password was seen")
            return book

        signed = next(entry["n"] for entry in counted().entries if entry["body"].get("meaning") == "counted")
        all_of_them = self.sound(counted().dump())["signatures"]["standing"]
        for since, entries in ((0, [signed]), (signed, [signed]), (signed + 1, [])):
            result = self.sound(marked("U-0007", since).dump())
            self.assertEqual(result["compromised"][0]["entries"], entries)
            self.assertEqual(result["signatures"]["standing"], all_of_them - len(entries))
            self.assertEqual(result["signatures"]["compromised"], len(entries))
        # Whose key was confirmed by it alone falls with it: U-0001 confirmed U-0002 and U-0007.
        confirmed = [e["n"] for e in counted().entries if e["stream"] == "account/U-0007" and e["kind"] == "signature.applied"]
        result = self.sound(marked("U-0001", confirmed[0]).dump())
        self.assertEqual(result["compromised"][0]["entries"], [*confirmed, signed])
        book = marked("U-0007", signed)
        book.sign("U-0007", "counted", "count/C-0001")
        self.faulty(book.dump(), "signatures", len(book.lines) - 1, what="retired")
        book = counted()
        body = {"account": "U-0007", "key": "00" * 32, "from": 1}
        book.add("account.key_compromised", "account/U-0007", body, "U-0001", why="x")
        self.faulty(book.dump(), "keys", len(book.lines) - 1, what="none of the account's")

    def test_the_two_clocks_of_one_boot_go_on_together(self):
        def started(book, at, count, boot="a"):
            body = {"boot": boot, "clock": "x", "engine": "x", "mono_us": count * 1_000_000, "schemas": "00" * 32,
                    "software": "x", "store": "x", "synchronised": "unknown"}  # fmt: skip
            book.add("book.started", "book/B", body, at=f"2026-03-02T{at}.000000Z")

        def stepped(book, at, count):
            body = {"boot": "a", "cause": "set", "from": book.entries[-1]["at"], "mono_us": count * 1_000_000,
                    "to": f"2026-03-02T{at}.000000Z"}  # fmt: skip
            book.add("clock.stepped", "book/B", body, at=body["to"])

        book = founded()
        started(book, "10:00:00", 100)
        started(book, "10:01:45", 200)
        stepped(book, "09:00:00", 210)
        started(book, "09:01:35", 310)
        started(book, "12:00:00", 5, "b")
        started(book, "12:00:01", 9, "unknown")
        started(book, "13:00:00", 5, "unknown")
        self.sound(book.dump())
        for at, count, what in (("10:01:46", 200, "apart"), ("10:01:40", 206, "apart"), ("10:00:00", 99, "smaller")):
            book = founded()
            started(book, "10:00:00", 100)
            started(book, at, count)
            self.faulty(book.dump(), "time", len(book.lines) - 1, what=what)

    def test_each_rule_of_captures(self):
        capture = f"captures/{h(RAW[0]).hex()}"
        for what, files in (
            ("is missing", {capture: None}),
            ("another length", {capture: RAW[0] + b"x"}),
            ("does not have its hash", {capture: RAW[0][:-1] + b"x"}),
            ("no segment or stray piece names", {f"captures/{'00' * 32}": b"x"}),
        ):
            self.faulty(pack(seal(counted(), files=files)), "captures", what=what)
        book = counted()
        book.add("count.segment_captured", "count/C-0001", {"link": "main", "offset": 18, "length": "9", "sha256": "00" * 32})
        self.faulty(book.dump(), "captures", len(book.lines) - 1, what="without link")

    def test_each_rule_of_stray_pieces(self):
        listed = [*LISTED, "station/T-01"]
        capture = f"captures/{h(b'stray').hex()}"

        def spoken(**changes):
            book = counted()
            stray = {"length": 5, "link": "main", "observed": 0, "sha256": h(b"stray").hex(), **changes}
            book.add("station.stray_captured", "station/T-01", stray, by=MACHINE)
            return book

        def record(content):
            return pack(seal(spoken(), listed=listed, files={capture: content}))

        self.sound(record(b"stray"))
        self.faulty(record(None), "captures", what="is missing")
        self.faulty(record(b"stray!"), "captures", what="another length")
        book = spoken(length="5")
        self.faulty(book.dump(), "captures", len(book.lines) - 1, what="a stray piece without")

    def test_a_late_entry_has_a_reason(self):
        book = counted()
        book.add("remark.made", "roll/R-000999", {"text": "late"}, "U-0007", occurred="2026-03-02T05:59:30.000000Z")
        self.faulty(book.dump(), "bytes", len(book.lines) - 1, what="without a reason")

    def test_a_book_is_opened_once(self):
        book = counted()
        book.add("book.opened", "book/B", book.entries[0]["body"], by={"system": "book"})
        self.faulty(book.dump(), "keys", len(book.lines) - 1, what="a second time")

    def test_each_rule_of_proofs_and_seal(self):
        lines = seal(counted())["proofs.jsonl"].split(b"\n")
        for what, bad in (
            ("of another entry", [lines[1], lines[0], *lines[2:]]),
            ("line feed", lines[:-1]),
            ("proofs for", lines[1:]),
            ("does not lead", [re.sub(rb'"path":\["..', b'"path":["0x'.replace(b"x", b"0"), lines[0]), *lines[1:]]),
        ):
            self.faulty(pack(seal(counted(), files={"proofs.jsonl": b"\n".join(bad)})), "tree", what=what)
        members = seal(counted())
        entry, proof, line, _ = members["seal.jsonl"].split(b"\n")
        far = re.sub(rb'"consistency":\["[0-9a-f]{2}', b'"consistency":["00', line)
        for check, what, bad in (
            ("seal", "no entry", [proof, proof, line, b""]),
            ("seal", "not record.exported", [members["entries.jsonl"].split(b"\n")[0], proof, line, b""]),
            ("seal", "of another entry", [entry, lines[0], line, b""]),
            ("seal", "third line", [entry, proof, proof, b""]),
            ("seal", "three lines", [entry, proof, line]),
            ("seal", "does not lead", [entry, proof, far, b""]),
        ):
            self.faulty(pack(members | {"seal.jsonl": b"\n".join(bad)}), check, what=what)
        late = counted()
        seal(late)
        for what, more in (
            ("from another book", {"entry": {"book": "other.example"}}),
            ("does not stand in the stream", {"entry": {"stream": "roll/R-000999"}}),
            ("prev is not", {"entry": {"prev": "11" * 32}}),
            ("one of the record's", {"entry": {"rev": 5}}),
            ("older than checkpoint.txt", {"first": late.note()}),
        ):
            book = counted()
            del book.entries[-1], book.lines[-1]
            book.sign("U-0007", "counted", "count/C-0001")
            self.faulty(pack(seal(counted() if "first" in more else book, **more)), "seal", what=what)
        for name in ("entries.jsonl", "proofs.jsonl", "checkpoint.txt"):
            about = json.loads(members["manifest.json"])
            del about["files"][name]
            self.faulty(pack(seal(counted(), manifest={"files": about["files"]})), "manifest", what=f"{name} is not named")
            # Neither there nor named: the manifest may not do without it.
            self.faulty(pack(seal(counted(), files={name: None})), "manifest", what=f"{name} is not named")


class Programme(Case):
    def status(self, *arguments):
        with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
            try:
                status = verify.run(list(arguments))
            except SystemExit as exit:
                status = exit.code
        return status, out.getvalue(), err.getvalue()

    def test_what_cannot_run_ends_with_2(self):
        path = self.folder / "dump.jsonl"
        path.write_bytes(founded().dump())
        for arguments in (
            ["/nowhere"],
            [str(self.folder)],
            [str(path), "--checkpoint", "/nowhere"],
            [str(path), "--key", "x"],
            [str(path), "--key", Maker().vkey().replace("+A", "+B")],
            [str(path), "--key", Maker().vkey().replace("room", "loom")],
            [str(path), "--key", Maker().vkey()[:-4]],
            [str(path), "--unknown"],
            [],
        ):
            self.assertEqual(self.status(*arguments)[0], 2, arguments)

    def test_people_read_the_verdict_and_the_key(self):
        path = self.folder / "dump.jsonl"
        path.write_bytes(founded().dump())
        status, out, _ = self.status(str(path))
        self.assertEqual(status, 0)
        self.assertIn("CONSISTENT, NOT AUTHENTICATED", out)
        self.assertIn(Maker().vkey(), out)
        path.write_bytes(founded().dump() + b'"\x1b[2J"\n')
        status, out, _ = self.status(str(path))
        self.assertEqual(status, 1)
        self.assertIn("FAULT bytes n=", out)
        self.assertNotIn("\x1b", out)

    def test_the_tables_are_those_of_the_format(self):
        text = FORMAT.read_text(encoding="utf-8")
        for name, rows in (("kinds", verify.KIND_ROWS), ("meanings", verify.MEANING_ROWS)):
            inside = text.split(f"<!-- {name}:begin -->")[1].split(f"<!-- {name}:end -->")[0].strip()
            # After the head of the table. Where they differ, copy the rows of FORMAT.md into verify.py.
            self.assertEqual(inside.split("\n")[2:], rows.strip().split("\n"))
        self.assertEqual(verify.KINDS["count.closed", 1], (["count"], True))
        self.assertEqual(verify.KINDS["remark.made", 1], (["any"], False))
        self.assertEqual(verify.MEANINGS["identity confirmed"],
                         (["account"], ["administrator", "reviewer"], ["account.enrolled", "account.password_reset"], [], True))
        self.assertIn("counted", verify.MEANINGS["count checked"][3])

    def test_a_spoiled_proof_leads_nowhere(self):
        def spoiled(path):
            yield path + [bytes(32)]
            yield [bytes(32)] + path
            for i, one in enumerate(path):
                yield path[:i] + path[i + 1 :]
                yield path[:i] + [one, one] + path[i + 1 :]
                yield path[:i] + [h(one)] + path[i + 1 :]

        leaves = [leaf(bytes([n])) for n in range(12)]
        for size in range(1, 13):
            top = root(leaves[:size])
            for n in range(size):
                path = inclusion(n, leaves[:size])
                self.assertEqual(verify.root_by_inclusion(leaves[n], n, size, path), top)
                for bad in spoiled(path):
                    with contextlib.suppress(verify.Bad):
                        self.assertNotEqual(verify.root_by_inclusion(leaves[n], n, size, bad), top)
            for old in range(1, size + 1):
                first = root(leaves[:old])
                path = consistency(old, leaves[:size])
                self.assertEqual(verify.roots_by_consistency(old, size, first, path), (first, top))
                for bad in spoiled(path):
                    with contextlib.suppress(verify.Bad):
                        self.assertNotEqual(verify.roots_by_consistency(old, size, first, bad), (first, top))
        for n, size in ((0, 0), (3, 3), (2**60, 3)):
            self.assertRaises(verify.Bad, verify.root_by_inclusion, leaves[0], n, size, [])
        for old, new in ((0, 3), (0, 0), (4, 3)):
            self.assertRaises(verify.Bad, verify.roots_by_consistency, old, new, root([]), [])

    def test_the_known_answers(self):
        known = json.loads((FORMAT.parent / "vectors" / "record-format.json").read_text(encoding="utf-8"))
        lines = [line.encode() for line in known["entries"]]
        leaves = [verify.leaf_hash(line) for line in lines]
        self.assertEqual([one.hex() for one in leaves], known["leaves"])
        for size, wanted in enumerate(known["roots"]):
            self.assertEqual(verify.tree_root(leaves[:size]).hex(), wanted)
        top = bytes.fromhex(known["roots"][-1])
        for n, path in enumerate(known["inclusion_of_each_in_all"]):
            path = [bytes.fromhex(one) for one in path]
            self.assertEqual(verify.root_by_inclusion(leaves[n], n, 9, path), top)
        for old, path in enumerate(known["consistency_to_all"], 1):
            first = bytes.fromhex(known["roots"][old])
            path = [bytes.fromhex(one) for one in path]
            self.assertEqual(verify.roots_by_consistency(old, 9, first, path), (first, top))
        for line in lines:
            self.assertEqual(verify.jcs(verify.read_canonical(line)), line)
        for text in known["not_canonical"]:
            self.assertRaises(verify.Bad, verify.read_canonical, text.encode())
        files = {path: text.encode() for path, text in known["plugin"]["files"].items()}
        self.assertEqual(verify.plugin_digest(files).hex(), known["plugin"]["digest"])
        # The bodies of the known answers stand for form only: their accounts were never enrolled. All but the
        # signatures, which need accounts, must hold.
        result = self.run_on(b"".join(line + b"\n" for line in lines), checkpoints=[known["checkpoint"].encode()])
        self.assertEqual({fault["check"] for fault in result["faults"]}, {"separation", "signatures"})
        self.assertEqual(result["trust"], "checkpoint")
        for line in lines[3:5] + lines[8:]:
            entry = verify.Entry(line, None)
            public = {e["body"]["key"]: e["body"]["public_key"] for e in map(json.loads, lines) if "public_key" in e["body"] and "key" in e["body"]}
            body = dict(entry.body)
            signature = base64.b64decode(body.pop("sig"))
            message = b"tallyseal signature v1\n" + verify.jcs(body | {"at": entry.at, "book": entry.book})
            self.assertTrue(verify.good_signature(base64.b64decode(public[body["key"]]), message, signature))


if __name__ == "__main__":
    unittest.main()
