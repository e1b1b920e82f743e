"""What findings may call for: the rules of lexicon/referral.toml, and what they say of a record."""
