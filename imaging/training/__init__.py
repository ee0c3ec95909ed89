"""How the network of `imaging.network` is made: the only place that needs PyTorch."""
