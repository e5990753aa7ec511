#!/usr/bin/env python3
"""Runs `plyscribe align` over every transcript of a folder, as a user would.

    align_lessons.py PLYSCRIBE LESSONS OUT

LESSONS holds NAME.vtt|srt|txt|json beside NAME.gold.json, as `plyscribe-lessons build` writes them. The answer key tells the
language, and the boards that a user would give with --start; nothing else of it is used. OUT gets NAME.pgn and
NAME.study.json. A lesson fails if the program does, takes longer than a minute, or leaves a file out.

A lesson in a language that the program says it doesn't have is skipped, and counted; English it must have.

Closes with `align: N passed, N failed, N skipped (LANGUAGES)`; exits 1 if a lesson failed, has no transcript, or none
passed.
"""
import concurrent.futures
import json
import os
import pathlib
import shutil
import subprocess
import sys

STANDARD = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1"
SUFFIXES = [".vtt", ".srt", ".txt", ".json"]
SECONDS = 60


def starts(games):
    """The boards as a user would give them: nothing where all are standard, or set up in the narration."""
    if all(game["start"] == STANDARD or not game["given"] for game in games):
        return []
    options = []
    for game in games:
        board = "standard" if game["start"] == STANDARD else game["start"] if game["given"] else "said"
        options += ["--start", board]
    return options


def align(program, key_path, out):
    """What went wrong with a lesson, or None; and the language that the program lacks for it, or None."""
    name = key_path.name.removesuffix(".gold.json")
    transcripts = [path for suffix in SUFFIXES if (path := key_path.with_name(name + suffix)).exists()]
    if len(transcripts) != 1:
        return f"{name}: {len(transcripts)} transcripts beside the answer key", None
    key = json.loads(key_path.read_text(encoding="utf-8"))
    written = [out / f"{name}.pgn", out / f"{name}.study.json"]
    command = [program, "align", transcripts[0], "--language", key["language"], *starts(key["games"])]
    command += ["--pgn", written[0], "--json", written[1]]
    try:
        run = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, timeout=SECONDS)
    except subprocess.TimeoutExpired:
        return f"{name}: not done in {SECONDS} s", None
    complaint = run.stderr.decode(errors="replace").strip()[-600:]
    language = key["language"]
    if run.returncode == 2 and language != "en" and complaint.startswith("plyscribe: --language"):
        return None, language
    if run.returncode != 0:
        return f"{name}: exit {run.returncode}: {complaint}", None
    missing = [path.name for path in written if not path.exists()]
    return f"{name}: exit 0, but {', '.join(missing)} not written: {complaint}" if missing else None, None


def main():
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    program, lessons, out = map(pathlib.Path, sys.argv[1:])
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    keys = sorted(lessons.glob("*.gold.json"))
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(lambda key: align(program.resolve(), key, out), keys))
    faults = [fault for fault, _ in results if fault]
    lacking = [language for _, language in results if language]
    for key, (_, language) in zip(keys, results):
        if language:
            print(f"{key.name.removesuffix('.gold.json')}: SKIPPED, the program has no language {language}")
    for fault in faults if keys else [f"{lessons}: no lesson to align"]:
        print(fault)
    passed = len(keys) - len(faults) - len(lacking)
    why = f" ({', '.join(sorted(set(lacking)))})" if lacking else ""
    print(f"align: {passed} passed, {len(faults)} failed, {len(lacking)} skipped{why}")
    return 1 if faults or not passed else 0


if __name__ == "__main__":
    sys.exit(main())
