"""The JSON documents: one frozen class an object, its fields the keys in written order.

Comes in: the results that the program hands about.  Goes out: plain dictionaries and
lists, and the JSON Schema of each document.  Both are read off the same classes.  Their
modules do without postponed annotations: the functions in an annotation are called.
"""
