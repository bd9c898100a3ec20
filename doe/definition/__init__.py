"""study.toml: what it may say, read and checked into frozen parts."""
