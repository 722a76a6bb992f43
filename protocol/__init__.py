"""The serial layer: link, dialects, profiles, analyzer, sweep runs, simulated analyzer."""
