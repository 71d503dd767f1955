"""Invented histories of sites, made from a seed: what people do, correct, measure and get wrong over years.

Nearly everything goes through the registered operations, as it would from a page; some is written as rows, as
an import or a hand at the database would. What an operation refuses is counted, and the history goes on.
"""
