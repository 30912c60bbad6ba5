"""A person confirms or corrects: contact sheets, their corrections, two reviewers compared."""
