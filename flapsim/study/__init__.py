"""Many cases: plan them, compute them on every core, keep them safely, compare them."""
