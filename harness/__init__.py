"""The harness: files, judgement, jobs, reports and the command line."""
