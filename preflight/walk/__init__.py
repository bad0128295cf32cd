"""walk"""
