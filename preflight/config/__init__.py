"""config"""
