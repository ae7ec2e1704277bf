"""Runs one of the scripts on recordings; prints the seconds of its work, without imports and compilation,
and its answer."""

import importlib
import json
import sys
import time

module, function = sys.argv[1].split(".")
module = importlib.import_module(module)
# Paths may be many, and are read from standard input.
paths = json.load(sys.stdin)
getattr(module, "warm", lambda paths: None)(paths)
began = time.perf_counter()
answer = getattr(module, function)(paths)
print(json.dumps([time.perf_counter() - began, answer]))
