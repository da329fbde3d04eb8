#!/usr/bin/env python3
"""Analyses every recording of a library anew with Apache Spark, one result a recording.

    hingeclock library job > reanalyse.py
    python3 reanalyse.py --library buckets --results results              # all cores of this machine
    spark-submit --master spark://HOST:7077 reanalyse.py --library ...    # many, on a file system that all of them see

A result is named by the recording's number, the program's version and a mark of the settings, and gets that name when
it is whole. So a job that was killed goes on where it was, a task that is tried again or runs twice at once counts
once; a recording that has grown since is done again, in the same place; and a newer version or other settings give
results of their own beside the old ones.

Exit codes are those of hingeclock: 0 done; 1 it failed; 3 done, but a recording could not be analysed or had lost
something.
"""
import argparse
import json
import os
import subprocess
import sys
import tempfile

# How often Spark tries a task on one machine; on many the cluster's own setting counts.
TRIES = 3


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--library", required=True, help="folder of the recordings")
    parser.add_argument("--results", required=True, help="folder of the results; made where it is missing")
    parser.add_argument("--settings", help="settings file, as for analyze")
    parser.add_argument("--program", default="hingeclock", help="the hingeclock to run")
    return parser.parse_args()


def with_settings(command, settings):
    return command + (["--settings", settings] if settings else [])


def listed(program, library, settings):
    """The recordings, by what their results of this program and these settings are named."""
    command = [program, "library", "list-files", "--folder", library]
    found = subprocess.run(with_settings(command, settings), stdout=subprocess.PIPE)
    if found.returncode not in (0, 3):
        sys.exit(1)
    found = json.loads(found.stdout)
    version = found["analyser"].replace(" ", "-")
    key = f"{version}-{found['settings']}"
    # A copy of a recording is the same recording.
    # The longest counts, should one of them have been cut off.
    in_order = sorted(found["recordings"], key=lambda one: one["bytes"])
    return {f"{one['number']}-{key}.json": one for one in in_order}


def is_done(path, length):
    """Whether the result of a recording of this length is there. It has its name only when it is whole, but a disk may
    lie."""
    try:
        with open(path, encoding="utf-8") as file:
            return json.load(file)["bytes"] == length
    except (OSError, ValueError, KeyError):
        return False


def put(path, text):
    """Writes a file beside its place, has it put on the disk, and gives it its name in one go."""
    folder = os.path.dirname(path)
    handle, unready = tempfile.mkstemp(prefix=".", suffix=".unready", dir=folder)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        # Whoever else made the same result made it of the same: either may stay.
        os.replace(unready, path)
    except BaseException:
        os.unlink(unready)
        raise


def analysed(program, library, results, settings, name, recording):
    """Analyses one recording. Gives its name, whether it was done before, and how the program ended."""
    target = os.path.join(results, name)
    path, length = recording["path"], recording["bytes"]
    if is_done(target, length):
        return name, True, 0
    command = [program, "analyze", os.path.join(library, path), "--json"]
    ended = subprocess.run(with_settings(command, settings), stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    if ended.returncode == 1:
        # It cannot be read: trying again would not help.
        print(ended.stderr.decode(errors="replace"), file=sys.stderr)
        return name, False, 1
    if ended.returncode not in (0, 3):
        # Killed, or worse: the engine tries again.
        raise RuntimeError(f"{path}: analyze ended with {ended.returncode}")
    result = {"recording": recording["number"], "path": path, "bytes": length, "exit_code": ended.returncode}
    result["result"] = json.loads(ended.stdout)
    put(target, json.dumps(result) + "\n")
    return name, False, ended.returncode


def summed_up(results, names):
    """What the results hold, counted from the files themselves."""
    done = swings = lossy = 0
    for name in names:
        try:
            with open(os.path.join(results, name), encoding="utf-8") as file:
                result = json.load(file)
        except (OSError, ValueError):
            continue
        done += 1
        swings += len(result["result"]["swings"])
        lossy += result["exit_code"] == 3
    return done, swings, lossy


def main():
    args = arguments()
    library, results = os.path.abspath(args.library), os.path.abspath(args.results)
    settings = os.path.abspath(args.settings) if args.settings else None
    os.makedirs(results, mode=0o700, exist_ok=True)
    recordings = listed(args.program, library, settings)

    from pyspark.sql import SparkSession

    spark = SparkSession.builder.appName("hingeclock reanalyse")
    if not os.environ.get("SPARK_ENV_LOADED"):
        # Not started by spark-submit: this machine alone.
        spark = spark.master(f"local[*,{TRIES}]").config("spark.ui.enabled", "false")
    context = spark.getOrCreate().sparkContext
    program = args.program
    # One recording a task, so that one that is tried again costs no other.
    tasks = context.parallelize(sorted(recordings.items()), max(1, len(recordings)))
    ended = tasks.map(lambda one: analysed(program, library, results, settings, *one)).collect()
    context.stop()

    done, swings, lossy = summed_up(results, recordings)
    before = sum(was_done for _, was_done, _ in ended)
    failed = sum(code == 1 for _, _, code in ended)
    counts = {"schema": 1, "recordings": len(recordings), "done": done, "done_before": before, "failed": failed}
    print(json.dumps({**counts, "swings": swings, "with_losses": lossy}))
    return 3 if failed or lossy else 0


if __name__ == "__main__":
    sys.exit(main())
