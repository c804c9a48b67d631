"""A printer of the public line convention on a TCP port: a process of its own that imports nothing of the project.

Written from facts.md section 1 alone, before the code that it judges was read. It takes lines, checks, answers, moves,
heats, and records what it executed, in order, one JSON object a line. It does not know who is at the other end.

    python -m tests.link.counterpart --record run.jsonl --lineage numbered --ring 64 --event 200:silent:30

The first line on its standard output is the port; SIGTERM ends it. options.py has every freedom that the convention
leaves, port.py the line and its answers, machine.py what is moved and heated.
"""
