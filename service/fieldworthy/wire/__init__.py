"""The shapes of JSON: requests, answers, problems, and the catalogue of everything that can be refused."""
