"""The measurer's pages: a view reads, calls one service, answers."""
