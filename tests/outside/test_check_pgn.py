#!/usr/bin/env python3
"""Shows that check_pgn.py notices damage: each test breaks a good pair in one way and wants the fault that names it.

    test_check_pgn.py FOLDER

FOLDER holds odd.pgn and odd.study.json, written by tests/pgn_outside.rs with times as commands.
"""
import json
import pathlib
import sys
import tempfile
import unittest

import jsonschema

import check_pgn

FOLDER = None
VALIDATOR = jsonschema.Draft202012Validator(json.loads(check_pgn.SCHEMA.read_text(encoding="utf-8")))


class Damage(unittest.TestCase):
    def faults(self, pgn=lambda text: text, study=lambda data: None):
        text = (FOLDER / "odd.pgn").read_text(encoding="utf-8")
        data = json.loads((FOLDER / "odd.study.json").read_text(encoding="utf-8"))
        study(data)
        with tempfile.TemporaryDirectory() as folder:
            path = pathlib.Path(folder) / "odd.pgn"
            path.write_text(pgn(text), encoding="utf-8")
            path.with_name("odd.study.json").write_text(json.dumps(data), encoding="utf-8")
            return "\n".join(check_pgn.check_pair(path, "commands", VALIDATOR)[0])

    def replaced(self, old, new):
        def change(text):
            self.assertIn(old, text)
            return text.replace(old, new, 1)
        return self.faults(pgn=change)

    def test_the_pair_is_good(self):
        self.assertEqual(self.faults(), "")

    def test_pgn(self):
        for old, new, fault in [
            ("2. Nf3 Nc6 3. Bb5 a6", "2. Nf3 Nc6 3. Bb6 a6", "python-chess: "),
            ("(1. c4)", "", "the moves after it are"),
            ("(1. d4 d5 2. c4) (1. c4)", "(1. c4) (1. d4 d5 2. c4)", "the moves after it are"),
            ("9. Nbd2 (9.\nc3 Be7)", "9. c3 (9.\nNbd2)", "the moves after it are"),
            ("$1 $10", "$2 $10", "NAGs are"),
            ("[%said 0:00:12.3]", "[%said 0:00:12.5]", "the comment's time is"),
            ("[%said 0:02:00.0]", "", "gives no time"),
            ("Another board.", "Another bored.", "the comment is"),
            ("Größe", "Grosse", "the comment is"),
            ("0 41\"]", "0 42\"]", "FEN is"),
            ("[PlyCount \"18\"]", "[PlyCount \"17\"]", "PlyCount is"),
            ("[Event \"Odd", "[Event \"Even", "Event is"),
            ("[Event", "%[Event", "an escaped line"),
            ("[Site \"?\"]\n[Date \"????.??.??\"]", "[Date \"????.??.??\"]\n[Site \"?\"]", "the tags begin"),
            ("[Annotator \"plyscribe\"]\n[PlyCount \"18\"]", "[PlyCount \"18\"]\n[Annotator \"p\"]", "not in ASCII order"),
            ("3. Bb5 a6 4. Ba4\nNf6", "3. Bb5 a6 4. Ba4 Nf6", "columns"),
            ("Nc5 *", "Nc5 1-0", "the result is"),
        ]:
            with self.subTest(new):
                self.assertIn(fault, self.replaced(old, new))

    def test_a_game_is_missing(self):
        self.assertIn("2 games, in the study 3", self.faults(pgn=lambda text: text[: text.rindex("[Event")]))

    def test_study(self):
        def node(n, **changes):
            return lambda study: study["games"][0]["nodes"][n].update(changes)

        for edit, fault in [
            (node(2, fen="8/8/8/8/8/8/8/8 w - - 0 1"), "FEN is"),
            (node(2, fen="rubbish"), "schema: "),
            (node(2, nags=[256]), "schema: "),
            (node(2, colour="red"), "schema: "),
            (node(1, confidence=1.01), "schema: "),
            (node(0, uci="e2e4"), "schema: "),
            (node(2, id=3), "its id is 3"),
            (node(2, parent=2), "does not stand before it"),
            (node(1, mainline=False), "no single path"),
            (lambda study: study["timeline"].reverse(), "timeline 1"),
            (lambda study: study["flags"][0].update(node=999), "flags 0: there is no node 999"),
            (lambda study: study["flags"][0].pop("played"), "schema: "),
            (lambda study: study["games"][0].pop("start"), "schema: "),
            (lambda study: study.update(version=2), "schema: "),
        ]:
            with self.subTest(fault):
                self.assertIn(fault, self.faults(study=edit))


if __name__ == "__main__":
    FOLDER = pathlib.Path(sys.argv.pop(1))
    unittest.main()
