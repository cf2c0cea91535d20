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
# # Has the wall moved?
#
# Nine bolts, spring and autumn. Five are in the wall of a kiln, four in footings that stand apart. Every coordinate differs a little between the two campaigns, and
# every one would differ a little if nothing had moved at all. The question is never "is there a difference" but "is it more than the measurement explains".

# %%
from hubtack.io.notebook import compare, open_job

spring = open_job("../sample_networks/kiln-wall/epoch-1")
autumn = open_job("../sample_networks/kiln-wall/epoch-2")
spring.map()

# %% [markdown]
# Each campaign must stand by itself first. A mistake in one of them would look like a movement.

# %%
for epoch in (spring, autumn):
    print(epoch.summary().split("\n\n")[0], end="\n\n")

# %% [markdown]
# ## The comparison

# %%
both = compare(spring, autumn)
both

# %% [markdown]
# First comes one test of all differences together. Only because it fails, the tool asks which mark would explain it. It names W3, and once W3 is let go
# the rest fits.

# %%
both.marks

# %% [markdown]
# ## The picture
# From the cross to the dot: the difference. The ellipse holds 95 % of what the measurement alone would do, enlarged alike. A dot in its ellipse is no news.
# The figures beside the names are changes of height in millimetres.

# %%
both.map()

# %% [markdown]
# ## What would have been missed
# "No movement" is only worth something together with the smallest movement that would have shown, here in its worst direction:

# %%
both.marks["smallest that would show"].sort_values()

# %% [markdown]
# ## On whom do the differences lean?
# Nothing is held in these jobs: the differences are laid on the four footings, because the engineer trusts them most. Lay them on the quiet bolts of the wall
# instead, and the figures change. What is said to have moved does not.

# %%
other = compare(spring, autumn, datum=["W1", "W2", "W4", "W5"])
print(
    [m.mark for m in other.comparison.moved],
    f"T = {other.comparison.statistic:.1f} and {both.comparison.statistic:.1f}",
)
