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
# # Finding a wrong height
#
# Somebody swaps a stand for another, or reads the tape from the wrong end, and one target height is wrong by a few centimetres. All sights to that
# target are wrong in the same way. What does it look like, and how sure can one be?

# %%
from hubtack.io.notebook import open_job

day = open_job("../sample_networks/taped-height")
day

# %% [markdown]
# The finding names a setup, not a sight: all readings to T07 shift together, and one cause explains them all. Beside the size stands what else could
# explain it. Here nothing else can.
#
# ## What the tool compares
# For every setup: how wrong would its height have to be, and how surely? The statistic *w* is that size over its own sigma. Beyond 3.3 it is flagged.

# %%
setups = day.setups[["mark", "support", "height [m]", "w height"]]
setups.sort_values("w height", key=abs, ascending=False).head(6)

# %% [markdown]
# T07 stands out, and its neighbours are pulled along: one mistake makes others look bad. That is why the worst one is settled first.
#
# ## Try it
# What if the height had been the fixed one, 0.1863 m? Nothing in the files changes: this only asks.

# %%
tried = day.with_height("T07", 0.1863)
print(tried.summary().split("\n\n")[0])

# %% [markdown]
# Everything fits. To make it so in the job, and for the record, a *decision* goes into job.toml, with a reason. The raw tables stay as they were:
#
# ```toml
# [[decision]]
# correct = "setup T07 height"
# value = "0.1863 m"
# reason = "taped in the dark, the stand is fixed"
# ```
#
# ## How small a mistake would still be seen?
# Every setup has its own limit. Below it a wrong height stays unseen and moves the mark.

# %%
least = day.setups[["role", "mark", "support", "smallest wrong height found [mm]"]]
least[least["role"] == "target"].sort_values("smallest wrong height found [mm]")

# %%
day.heights()

# %% [markdown]
# Each dot is one placing of a device: how far its height looks off. The shaded band is what was declared for that support. One dot far outside, as here, is one mistake. A
# whole class outside its band would be another story: heights that were taped although they count as fixed.
#
# ## And where nothing can be told
# In the next job something is just as wrong, but the geometry is too thin. An honest answer lists the causes and asks for one more observation.

# %%
thin = open_job("../sample_networks/no-telling")
for sentence in thin.findings:
    print(sentence)
