"""The demo workshop: an invented machine and tune, and a physical simulator with known truth.

| module | what it does |
|---|---|
| `tune` | composes tunes; tables of notes; MIDI files |
| `truth` | dataclasses: faults of a machine, its crew, and what happened in a take |
| `machine` | `simulate`: notes, faults and crew -> strikes; each uninterrupted run is a `leg` |
| `drive` | integrates the speed of the barrel |
| `energy`, `score` | inertia and drag; beats, bars and turns |
| `chance` | draws random machines, faults and crews, for tests |
| `listen` | the list of hits that a detector would find in a take, without audio |
| `sound` | renders audio: struck bodies and microphones |
| `workshop` | the demo's machine, tune, faults and recordings |
| `make` | writes recordings and truth: `python -m demo.make` |
| `compare` | compares results with the truth: `python -m demo.compare` |

The simulator shares with the analysis only the machine's description (`pipeline.settings`) and the contracts
(`pipeline.tables`).
"""
