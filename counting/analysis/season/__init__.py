"""Over several surveys and several trials: looks, the course, trials put together."""
