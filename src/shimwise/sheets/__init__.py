"""What is shown of a result: words, reports in the terminal, figures, papers, charts, JSON."""
