"""Two extractors' records compared, decided and agreed."""
