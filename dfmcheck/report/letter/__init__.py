"""The engineering query: a letter to the customer, from a judgement."""

from dfmcheck.report.letter.questions import Letter, Question, compose

__all__ = ["Letter", "Question", "compose"]
