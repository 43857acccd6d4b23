"""The turns members work: what is owed, when they can, the rota drafted and published, swaps and attendance."""
