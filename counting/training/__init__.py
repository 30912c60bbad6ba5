"""The making of the scorer's weights and the stages' numbers (extra `train`); none imports it."""
