"""pindrift: find where a mechanical music machine drifts from its arrangement, why, and what to mend next."""
