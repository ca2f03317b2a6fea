# %% [markdown]
# # A supercapacitor from Python
#
# The same as on the command line: load a shipped recipe, check it, run it on its simulated bench,
# and take its numbers. Each cell begins with `# %%`, which notebooks and editors know; run them one
# after another. What a cell ends with shows itself.

# %%
from sequencer import Refused, check, dry_run, load, open_record
from sequencer.analysis import capacitance

recipe = load("characterise-supercapacitor")
recipe

# %% [markdown]
# The check: every mistake, and the worst that any path can do. A setting is given as it is written.

# %%
checked = check(recipe, bench="characterise-supercapacitor", settings={"rate": "2 A"})
checked

# %% [markdown]
# A dry run, on record as any other. `run` does the same on the bench that a bench file names.

# %%
finished = dry_run(recipe, settings={"rate": "2 A"}, seed=7)
finished

# %% [markdown]
# A result by its name: a number in SI, its unit, the method that it depends on.

# %%
C = finished.result("C")
C

# %%
float(C), C.si_unit, C.method

# %% [markdown]
# A trace: its columns are arrays of numpy, in SI.

# %%
trace = finished.trace("discharging")
trace

# %%
taken_out = trace["charge"][0] - trace["charge"][-1]
taken_out

# %% [markdown]
# The same as a frame of pandas (`pip install 'fusewire[frames]'`), by time.

# %%
frame = trace.frame()
frame[["smu.voltage", "smu.current"]].describe()

# %%
frame.attrs["units"]["smu.voltage"]

# %% [markdown]
# Every calculation of `results:` is a function of arrays. This is the result above once more, and
# then between two other voltages.

# %%
columns = [trace[name] for name in ("time", "voltage", "current", "limited")]
again = capacitance(*columns, (0.8 * 2.7, 0.4 * 2.7))
again

# %%
lower = capacitance(*columns, (1.2, 0.6))
lower.value / again.value - 1

# %% [markdown]
# What is on record stays there, for later and for other programs.

# %%
with open_record() as store:
    run = store.find("last")
    run.export("discharging.csv", trace="discharging")
    ended = run.meta.outcome
ended

# %% [markdown]
# What doesn't check doesn't run: the exception carries the problems, in the words of the command
# line.

# %%
wrong = load(recipe.text.replace("source smu voltage 0 V, limit rate", "source smu voltage 0 V"))
try:
    dry_run(wrong, bench="characterise-supercapacitor")
except Refused as error:
    refused = error
refused
