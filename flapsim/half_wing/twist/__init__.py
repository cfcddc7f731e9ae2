"""Twist that an actuator follows or that spring, mass and air decide.

`actuator` says where a real actuator stands when it follows its command; `balance` finds the
periodic twist of a compliant segment.
"""
