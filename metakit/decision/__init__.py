"""From estimate to decision: absolute effects, certainty, information, and the words for them."""
