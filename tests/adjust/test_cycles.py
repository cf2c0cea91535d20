"""Independent loops, against a general graph library: as many, real cycles, and a basis."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from hubtack.adjust.ground.cycles import cycle_basis


@pytest.mark.parametrize("seed", range(8))
def test_a_basis_of_real_cycles(seed: int) -> None:
    graph = nx.gnm_random_graph(14, 8 + 3 * seed, seed=seed)
    found = cycle_basis(graph.edges, 5)
    edges = {frozenset(e): k for k, e in enumerate(graph.edges)}
    members = np.zeros((len(found), len(edges)), dtype=np.int64)
    for row, cycle in enumerate(found):
        assert len(cycle) == len(set(cycle)) >= 3
        for a, b in zip(cycle, cycle[1:] + cycle[:1], strict=True):
            members[row, edges[frozenset((a, b))]] = 1
    assert len(found) == len(nx.cycle_basis(graph))
    # independent over the field of two elements: eliminate
    rank = 0
    for column in range(members.shape[1]):
        at = np.flatnonzero(members[rank:, column]) + rank
        if len(at):
            members[[rank, at[0]]] = members[[at[0], rank]]
            others = np.flatnonzero(members[:, column])
            members[others[others != rank]] ^= members[rank]
            rank += 1
    assert rank == len(found)


def test_through_the_root_they_are_short() -> None:
    ring = [(i, (i + 1) % 6) for i in range(6)]
    assert sorted(map(len, cycle_basis([*ring, (0, 3)], 0))) == [4, 4]
    assert cycle_basis([(1, 1), (1, 2), (2, 1)]) == []
