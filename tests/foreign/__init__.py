"""Foreign gear and a foreign sender, written from the published standard alone, and tests with it.

Nothing here but the tests themselves imports anything of the project.
"""
