"""What the user writes, validated and resolved to SI."""
