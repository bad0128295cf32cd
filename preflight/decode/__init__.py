"""decode"""
