"""placeholder"""
from typing import Any


def plan(*a: Any) -> Any: raise NotImplementedError
def baseline(*a: Any) -> Any: raise NotImplementedError
