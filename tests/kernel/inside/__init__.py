"""What runs inside of that kernel, as root, with a virtual CAN interface `vcan0`.

Collected only there; `tests/kernel/test_kernel.py` starts it and reports each test.
"""
