"""The proving ground: shops that nobody on the product's side built, with what is truly wrong in them. Not shipped.

``shops`` draws shops by family and seed (``bench`` and ``sealed`` to develop on, ``choose`` to choose on, ``cellar`` opened once
for a release), ``plant`` is their physics, ``habits`` how they are worked, ``noise`` what their boards tell, ``faults`` what
goes wrong, ``record`` puts a month together, ``labels`` says what had to be told, ``score`` counts, ``write`` makes files;
``added`` is for the comparison.
Nothing here uses the product's engine or its simulated plant.

From the shell::

    python -m tests.ground.bench --family bench --seeds 1-20 --days 30 --know tour --list
    python -m tests.ground.bench --family choose --seeds 3 --only plug,bag_torn --know gates --list
    python -m tests.ground.bench --healthy --know drawing

From Python::

    r = record(make("bench", 7), days=30, tour=True)     # arrays: r.t, r.told[channel], r.true[...], r.stretches, r.faults
    known = labels(r, gates_known=False, tour=True)      # what score.score() and the recordings' scorer read
    write(r, folder, gates_known=False, tour=True)       # shop.toml, recording.jsonl.gz, tour.jsonl.gz, labels, truth
    heard, frames, seconds, toured = play(r, "tour")     # bench.play: through the product's pipeline, in this process
    both = added.pair("choose", 12, loads=True)          # a shop before and after an added run, with the true change
"""
