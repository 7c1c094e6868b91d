"""The planner: past orders replayed through the fit, to choose bag stock and stations. Pure."""

from gateway.study.answer import study
from gateway.study.errors import StudyWrong
from gateway.study.lines import past_order_of
from gateway.study.past import Gathering, Past
from gateway.study.questions import Questions, questions_of

__all__ = [
    "Gathering",
    "Past",
    "Questions",
    "StudyWrong",
    "past_order_of",
    "questions_of",
    "study",
]
