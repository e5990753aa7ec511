#!/usr/bin/env python3
"""Reads what plyscribe wrote with libraries from outside the project.

    check_pgn.py [--times commands|plain|none] [--schema FILE] PATH...

Each PATH is a NAME.pgn with its NAME.study.json beside it, or a folder of such pairs. For each pair:
- The JSON is valid by the JSON Schema (PyPI `jsonschema`), and what the schema can't say holds: ids and parents in order,
  no move twice at one node, the main line one path from the root, the timeline in order without overlaps.
- python-chess (PyPI `chess`) reads every game without an error: as many games as the study has, the same tree with
  variations in the same order, the same SAN by its own rules, NAGs, comments (words, and times as asked for by --times), and
  at every node the FEN of the study.
- No movetext line has 80 or more columns, no tag line 255 or more bytes.

A comment may differ from the study's words by what the PGN standard forbids: white space and control characters are
one space, braces are parentheses, `[%` of the speaker is `(%`, a long word may be split, `%` may be a wide `％`.

Prints each fault with its place and closes with `check_pgn: N passed, N failed`; exits 1 if a pair failed or there was none.
"""
import argparse
import io
import json
import pathlib
import re
import sys
import unicodedata

import chess
import chess.pgn
import jsonschema

HERE = pathlib.Path(__file__).resolve().parent
SCHEMA = HERE.parent.parent / "schema" / "plyscribe-study-1.schema.json"
ROSTER = ["Event", "Site", "Date", "Round", "White", "Black", "Result"]
COMMAND = re.compile(r"\[%said (\d+):([0-5]\d):([0-5]\d\.\d)\] ?")
PLAIN = re.compile(r"\((?:(\d+):(?=\d\d:))?(\d+):([0-5]\d)\) ?")


class Builder(chess.pgn.GameBuilder):
    """Keeps errors with the game instead of printing them."""

    def handle_error(self, error):
        self.game.errors.append(error)


def squeezed(text):
    """The text without white space and control characters, with the replacements that a comment may have."""
    text = "".join(c for c in text if not c.isspace() and unicodedata.category(c) != "Cc")
    return text.translate({ord("{"): "(", ord("}"): ")", ord("％"): "%"}).replace("[%", "(%")


def one_line(text):
    return " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f]", " ", text).split())


def check_schema(study, validator):
    for error in sorted(validator.iter_errors(study), key=lambda e: list(map(str, e.absolute_path))):
        yield f"schema: {error.json_path}: {error.message}"


def check_study(study):
    """What the schema's description promises beyond the schema."""
    for g, game in enumerate(study["games"]):
        moves = set()
        main_children = set()
        if not game["nodes"][0]["mainline"]:
            yield f"game {g}: the root is not on the main line"
        for n, node in enumerate(game["nodes"]):
            place = f"game {g}, node {n}"
            if node["id"] != n:
                yield f"{place}: its id is {node['id']}"
            if n:
                parent = node["parent"]
                if not 0 <= parent < n:
                    yield f"{place}: its parent {parent} does not stand before it"
                    continue
                if (parent, node["uci"]) in moves:
                    yield f"{place}: the move {node['uci']} stands twice at node {parent}"
                moves.add((parent, node["uci"]))
                if node["mainline"]:
                    if not game["nodes"][parent]["mainline"] or parent in main_children:
                        yield f"{place}: the main line is no single path from the root"
                    main_children.add(parent)
            for what in ("mentions", "comments"):
                for passage in node[what]:
                    if passage["start"] > passage["end"]:
                        yield f"{place}: {what} that end before they begin"
    end = 0
    for s, span in enumerate(study["timeline"]):
        if not end <= span["start"] <= span["end"]:
            yield f"timeline {s}: {span['start']} to {span['end']} s after {end} s"
        end = span["end"]
    for what in ("timeline", "flags"):
        for i, item in enumerate(study[what]):
            if item["game"] >= len(study["games"]) or item["node"] >= len(study["games"][item["game"]]["nodes"]):
                yield f"{what} {i}: there is no node {item['node']} of game {item['game']}"


def check_lines(text):
    for number, line in enumerate(text.split("\n"), 1):
        if line.startswith("%"):
            yield f"line {number}: an escaped line"
        if line != line.strip(" "):
            yield f"line {number}: a space at an end"
        if re.match(r'\[[A-Za-z]+ "', line) and line.endswith('"]'):
            if len(line.encode()) >= 255:
                yield f"line {number}: a tag of {len(line.encode())} bytes"
        elif len(line) >= 80:
            yield f"line {number}: {len(line)} columns"
        if any(unicodedata.category(c) == "Cc" for c in line):
            yield f"line {number}: a control character"


def check_tags(text):
    """The order of the tags, which python-chess does not keep."""
    for g, block in enumerate(re.findall(r'(?:^\[\w+ ".*"\]\n)+', text, re.MULTILINE)):
        tags = re.findall(r"^\[(\w+)", block, re.MULTILINE)
        if tags[:7] != ROSTER:
            yield f"game {g}: the tags begin with {tags[:7]}"
        if tags[7:] != sorted(set(tags[7:])):
            yield f"game {g}: the other tags are not in ASCII order: {tags[7:]}"


def split_time(comment, times):
    """A comment's time in seconds, or None, and the rest of it."""
    if times == "commands" and (found := COMMAND.match(comment)):
        return int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3]), comment[found.end():]
    if times == "plain" and (found := PLAIN.match(comment)):
        return int(found[1] or 0) * 3600 + int(found[2]) * 60 + int(found[3]), comment[found.end():]
    return None, comment


def check_node(node, wanted, times, modes):
    """One node as python-chess read it against the study's. `modes`: ways to write the en passant square that still
    explain the whole file."""
    board = node.board()
    for mode in list(modes):
        if board.fen(en_passant=mode) != wanted["fen"]:
            modes.discard(mode)
            if not modes:
                yield f"FEN is {board.fen()}, in the study {wanted['fen']}"
                modes.update(("legal", "fen"))
                break
    nags = set() if isinstance(node, chess.pgn.Game) else node.nags
    if nags != set(wanted["nags"]):
        yield f"NAGs are {sorted(nags)}, in the study {wanted['nags']}"
    time, words = split_time(one_line(node.comment), times)
    said = (wanted["mentions"] + wanted["comments"] or [{}])[0].get("start")
    if said is None or times == "none":
        if time is not None:
            yield f"the comment gives a time, {time} s"
    elif time is None:
        yield f"the comment {node.comment[:30]!r} gives no time, in the study {said} s"
    elif abs(time - said) > {"commands": 0.0551, "plain": 1.0551}[times]:
        # A tenth, or a whole second cut off; and the study's own rounding to 0.01 s.
        yield f"the comment's time is {time} s, in the study {said} s"
    text = squeezed("".join(p["text"] for p in wanted["comments"]))
    if squeezed(words) != text:
        yield f"the comment is {words!r}, in the study {[p['text'] for p in wanted['comments']]!r}"


def check_game(game, wanted, title, times, modes):
    yield from (f"python-chess: {error}" for error in game.errors)
    # python-chess leaves the escapes of a tag's value as they are; they are those of the PGN standard, section 7.
    event = re.sub(r"\\(.)", r"\1", game.headers["Event"])
    full = one_line(title) or "?"
    if event != full and not (event.endswith("…") and len(event) > 50 and full.startswith(event[:-1].rstrip())):
        yield f"Event is {event!r}, in the study {title!r}"
    if ("FEN" in game.headers) != (wanted["start"] != chess.STARTING_FEN):
        yield "FEN tag where it does not belong, or none where it does"
    if game.headers["Result"] != "*":
        yield f"the result is {game.headers['Result']}"
    nodes = wanted["nodes"]
    children = {node["id"]: [] for node in nodes}
    for node in nodes[1:]:
        children[node["parent"]].append(node["id"])
    for ids in children.values():
        ids.sort(key=lambda n: not nodes[n]["mainline"])
    plies = 0
    at = 0
    while children[at]:
        at = children[at][0]
        plies += 1
    if game.headers.get("PlyCount") != str(plies):
        yield f"PlyCount is {game.headers.get('PlyCount')}, the main line has {plies} plies"
    pairs = [(game, 0)]
    seen = 0
    while pairs:
        node, n = pairs.pop()
        seen += 1
        yield from (f"node {n}: {fault}" for fault in check_node(node, nodes[n], times, modes))
        theirs = [(child.move.uci(), child.san()) for child in node.variations]
        ours = [(nodes[c]["uci"], nodes[c]["san"]) for c in children[n]]
        if theirs != ours:
            yield f"node {n}: the moves after it are {theirs}, in the study {ours}"
            continue
        pairs.extend(zip(node.variations, children[n]))
    if seen != len(nodes):
        yield f"{seen} of {len(nodes)} nodes were compared"


def check_pair(pgn, times, validator):
    """Faults of one pair, and how many nodes it has."""
    study_path = pgn.with_name(pgn.name.removesuffix(".pgn") + ".study.json")
    try:
        text = pgn.read_bytes().decode("utf-8")
        study = json.loads(study_path.read_bytes().decode("utf-8"))
    except (OSError, ValueError) as error:
        return [f"can't be read: {error}"], 0
    faults = list(check_schema(study, validator))
    if faults:
        return faults, 0
    faults = list(check_study(study))
    if faults:
        return faults, 0
    faults += check_lines(text)
    faults += check_tags(text)
    games = []
    stream = io.StringIO(text, newline="\n")
    while (game := chess.pgn.read_game(stream, Visitor=Builder)) is not None:
        games.append(game)
    if len(games) != len(study["games"]):
        return faults + [f"{len(games)} games, in the study {len(study['games'])}"], 0
    modes = {"legal", "fen"}
    for g, (game, wanted) in enumerate(zip(games, study["games"])):
        faults += (f"game {g}: {fault}" for fault in check_game(game, wanted, study["title"], times, modes))
    return faults, sum(len(game["nodes"]) for game in study["games"])


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--times", choices=["commands", "plain", "none"], default="commands")
    parser.add_argument("--schema", type=pathlib.Path, default=SCHEMA)
    parser.add_argument("paths", nargs="+", type=pathlib.Path)
    options = parser.parse_args()
    schema = json.loads(options.schema.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    pairs = []
    for path in options.paths:
        if path.is_dir():
            # A study without its PGN is a fault, too.
            names = {p.name.removesuffix(".pgn") for p in path.glob("*.pgn")}
            names |= {p.name.removesuffix(".study.json") for p in path.glob("*.study.json")}
            pairs += (path / f"{name}.pgn" for name in sorted(names))
        else:
            pairs.append(path)
    failed = nodes = 0
    for pgn in pairs:
        faults, count = check_pair(pgn, options.times, validator)
        nodes += count
        failed += bool(faults)
        for fault in faults[:20]:
            print(f"{pgn}: {fault}")
        if len(faults) > 20:
            print(f"{pgn}: and {len(faults) - 20} more")
    if not pairs:
        print(f"{', '.join(map(str, options.paths))}: nothing to check")
    print(f"{nodes} nodes compared")
    print(f"check_pgn: {len(pairs) - failed} passed, {failed} failed")
    return 1 if failed or not pairs else 0


if __name__ == "__main__":
    sys.exit(main())
