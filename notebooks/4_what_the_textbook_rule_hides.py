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
# # What the textbook rule hides
#
# The usual way to weigh a direction or a distance adds the centring to the noise of *every reading*. That would be right if the tripod were set up anew for
# every pointing. It is not: it is set down once, and all sights to it have the same error. So ten rounds look ten times as good as they are.

# %%
import matplotlib.pyplot as plt
import pandas as pd

from hubtack.io.notebook import open_job

shared = open_job("../sample_networks/braced-traverse")  # setup errors shared by all sights of a setup
textbook = shared.independent()  # the same readings, by the textbook rule

# %% [markdown]
# ## The same readings, two statements
# How good is the height of every mark said to be?

# %%
said = pd.DataFrame(
    {
        "shared": shared.marks["sigma height [mm]"],
        "textbook": textbook.marks["sigma height [mm]"],
    }
)
said = said[said["shared"] > 0]
said["times too small"] = (said["shared"] / said["textbook"]).round(1)
said

# %% [markdown]
# Nothing was measured twice, and for Y2, Y4 and Y6, where one tripod stayed, the textbook rule gives half the sigma. It also calls a mark checked that is not: a tripod that stands beside the nail of Y4 from the first sight to
# the last would be seen by nobody.

# %%
pd.DataFrame({"shared": shared.marks["checked"], "textbook": textbook.marks["checked"]}).loc[
    ["Y3", "Y4", "Y5", "Y6"]
]

# %% [markdown]
# ## Which one is right?
# One can try, because in a made-up network the truth is known. Invent many days: every setup gets one centring and one height error, every reading its noise. Adjust each by
# both rules. How often does the true mark lie inside the ellipse that claims 95 %?

# %%
import numpy as np

from hubtack.adjust import adjust
from hubtack.adjust.simulate import simulate

network, settings = shared.job.network, shared.job.settings
truth = pd.read_csv("../sample_networks/braced-traverse/truth.csv").iloc[:, 1:].to_numpy()
other = textbook.job.settings
new = np.isinf(network.marks.sigma_east)


def inside(result):
    """For every new mark: does its 95 % ellipse hold the truth?"""
    off = np.column_stack([result.marks.east, result.marks.north])[new] - truth[new, :2]
    spread = result.marks.covariance[new][:, :2, :2]
    return np.einsum("ni,nij,nj->n", off, np.linalg.inv(spread), off) < result.ellipse_factor**2


hits = {"shared": [], "textbook": []}
for seed in range(60):
    invented = simulate(network, truth, settings, seed)
    hits["shared"].append(inside(adjust(invented, settings)).mean())
    hits["textbook"].append(inside(adjust(invented, other)).mean())

found = {rule: 100 * np.mean(values) for rule, values in hits.items()}
print({rule: f"{percent:.0f} % of the ellipses hold the truth" for rule, percent in found.items()})

# %%
figure, axes = plt.subplots(figsize=(7, 1.8))
axes.barh(list(found), list(found.values()), color=["#0072b2", "#e69f00"])
axes.axvline(95, color="black", linestyle=":")
axes.text(95.5, 0.5, "claimed", va="center")
axes.set_xlim(0, 112)
axes.set_xlabel("ellipses that hold the truth, %")
axes.invert_yaxis()
plt.show()

# %% [markdown]
# ## And more rounds?
# With the textbook rule ten rounds shrink every sigma by √10. Really they shrink the noise of the readings and leave the tripod where it stands. Set the device up again instead: a
# second setup is worth more than nine more rounds.
