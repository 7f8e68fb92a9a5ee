"""Plans: one generator per step of a protocol. A plan depends on its arguments and the replies it got, nothing else."""
