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
# # Which support to take
#
# Errors are cheapest before they are made. A plan is a job without readings: marks with rough coordinates, what would stand where, who would sight
# whom. From these alone the tool predicts how good the coordinates will be, where the error would come from, and what would help.
#
# The plan here is the first draft for a siding: six nails wanted to 3 mm, every target on a pole with an ordinary round bubble.

# %%
import matplotlib.pyplot as plt
import numpy as np

from hubtack.io.notebook import open_plan

plan = open_plan("../sample_networks/siding/plan")
plan

# %% [markdown]
# 34 mm instead of 3 mm. The last table says why: nearly all of it is the **centring of the targets**. Neither a better instrument nor more rounds would help.
#
# ## Why a pole is so bad: the arithmetic of one bubble
# A round bubble of 40′ that is half a millimetre of bubble run off centre leans by a quarter of 40′. At the height of the prism that is

# %%
height = np.linspace(0.1, 2.0, 50)  # metres over the mark
lean = {
    f"bubble {minutes}′": height * np.tan(np.radians(minutes / 60) * 0.5 / 2.0) for minutes in (40, 20, 8)
}

figure, axes = plt.subplots(figsize=(7, 3.5))
for name, off in lean.items():
    axes.plot(height, 1000 * off)
    axes.text(2.02, 1000 * off[-1], name, va="center")
axes.axvline(0.19, color="grey", linestyle=":")
axes.text(0.21, 5.3, "a low stand", color="grey")
axes.set_xlim(0, 2.4)
axes.set_xlabel("height of the prism over the mark, m")
axes.set_ylabel("off its mark, mm")
plt.show()

# %% [markdown]
# 4.4 mm at 1.5 m. It is made once, when the pole is set down, and every sight to that pole has it. No number of rounds takes it away.
#
# ## The same plan with other supports

# %%
plan.supports

# %%
plan.compare_supports()

# %% [markdown]
# The bars show the same mark, R5, once for each support: the plan itself on top, then the best first; the dotted line is what was asked for. Light orange is the centring of the
# targets. With the best supports it is all but gone, and still 8 mm are left: that is the price of the geometry, a spur of 190 m that hangs on a base of 41 m.
#
# ## Which one change helps most, and what it costs in minutes

# %%
plan.changes

# %% [markdown]
# No single change is enough. Three together are: low stands, a tie to G5 at the far end, and R5 set up twice so that something checks it. That is the job
# `siding/day`, and as a plan it promises

# %%
better = open_plan("../sample_networks/siding/day")
print(better.summary().split("\n\n")[0])

# %%
better.map()

# %% [markdown]
# What a plan promises is what the adjustment later states, to the last digit, because ellipses come from the geometry and from the sigmas you declare. So a plan
# is as good as these sigmas. If the bubble is out of adjustment, both are wrong.
