"""The data contract: a model for everything that crosses a boundary of bagrelay."""
