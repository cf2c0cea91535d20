# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # From the field book to what the client gets
#
# You come home with one long table: where the instrument stood, how high it was, what it sighted, what it read. This notebook turns it into
# coordinates with their uncertainty, and into the files that other people need. It writes into a folder of its own and leaves the book as it is.
#
# Each grey box holds a few lines for the computer; click into it and press *Shift + Enter*. Change a line and press it again to see what happens.

# %%
import tempfile
from pathlib import Path

import pandas as pd

from hubtack.io.new import from_file
from hubtack.io.notebook import open_job

work = Path(tempfile.mkdtemp()) / "siding"  # where the job will be; write Path("siding") to keep it

# %% [markdown]
# ## 1. Look at the book
# One row is one pointing on one face. The headings are whatever your software writes; units stand in brackets.

# %%
pd.read_csv("siding_book.csv").head(6)

# %% [markdown]
# ## 2. Turn it into a job
# The tool guesses what each column is, and says so. Read its guesses: a wrong one here spoils everything after it.

# %%
print("\n".join(from_file(Path("siding_book.csv"), work, {})))

# %% [markdown]
# ## 3. Tell it what no book knows
# Two things are missing from every field book. **Which marks are known**: that goes into `marks.csv`. **What things stood on, and how well that
# centres**: that goes into `job.toml`. Usually you would open both files in a spreadsheet and a text editor. Here a few lines do the same.

# %%
known = {
    "G3": (1418.2260, 3402.7715, 29.8140),
    "G4": (1402.9347, 3441.3068, 30.0275),
    "G5": (1604.8812, 3521.6400, 28.7416),
}

marks = pd.read_csv(work / "marks.csv", dtype={"control": str}).set_index("mark")
for name, place in known.items():
    marks.loc[name, ["east", "north", "height"]] = place
    marks.loc[name, "control"] = "held"
marks.to_csv(work / "marks.csv")

# %%
said = (work / "job.toml").write_text(
    """
format = 1
[job]
name = "Ottermarl brickworks, siding"
[units]
length = "m"
angle = "dms"

[instruments."ts-1"]              # from its data sheet: one pointing in both faces
direction = "1 arcsec"
zenith = "1 arcsec"
distance = "1 mm + 1.5 ppm"

[supports.tripod]                 # height with a tape: 1 mm
kind = "tribrach"
height = "taped"
height_sigma = "1 mm"
centring_sigma = "0.7 mm"

[supports.low-stand]              # height by construction: 0.2 mm
kind = "stand"
height = "fixed"
height_sigma = "0.2 mm"
centring_sigma = "0.3 mm"

[targets.prism]                   # the book holds raw distances: this is still to be added
constant = "17.5 mm"
""",
    encoding="utf-8",
)

# %% [markdown]
# ## 4. Adjust
# The first lines are the verdict. Read it before you look at a single coordinate.

# %%
day = open_job(work)
day

# %% [markdown]
# Two things deserve attention. *Does it pass?* And *what is unchecked?* R5 was in fact set up twice that day, and the book does not say so: to the tool,
# two visits that look alike are one. A column that names the setups would have told it. So R5 counts as unchecked, although its ellipse is small.

# %%
day.map()

# %% [markdown]
# ## 5. The figures
# Every table of the result is here as a data frame: sort it, filter it, copy it. Lengths are in the job's unit, sigmas in millimetres.

# %%
day.marks.iloc[:, :9]

# %%
day.setups[["mark", "support", "height [m]", "w height", "verdict", "row"]].head(5)

# %% [markdown]
# ## 6. Hand it over
# One call writes the report (one page that works without a network), the tables, the picture, and here also a drawing file and a list for the
# people who set out. Either all files appear or none.

# %%
files = day.deliver(work / "out", write="layout,geopackage")
print("\n".join(files))

# %%
pd.read_csv(work / "out" / "layout_marks.csv").iloc[:, :6]

# %% [markdown]
# A pass is no proof. It speaks only for errors that the geometry can see, and somebody with a licence decides and signs.
