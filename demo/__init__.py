"""The demo workshop: an invented machine and tune, and a physical simulator with known truth.

`tune` composes; `truth` holds what is wrong and what happened; `drive` integrates the speed; `machine` turns notes,
faults and crew into strikes (`simulate`), leg by `leg`; `energy` and `score` hold the measures they share; `chance`
draws random machines, faults and crews for tests; `listen` makes a list of hits of a take without audio; `sound`
renders audio; `workshop` is the demo's own machine; `make` writes everything (`python -m demo.make`); `compare` holds
the results against the truth (`python -m demo.compare`).

The simulator shares with the analysis only the machine's description (`pipeline.settings`) and the contracts
(`pipeline.tables`).
"""
