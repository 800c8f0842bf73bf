"""Weighing: symptoms from the evidence, and what each cause's table makes of them."""

from canlens.causes.weighing.ranking import PSEUDO, weighed
from canlens.causes.weighing.symptoms import SYMPTOMS

__all__ = ["PSEUDO", "SYMPTOMS", "weighed"]
