"""The hardware as it stands: crank, lobes, phasers, camshafts.

Crank angle is in degrees on the 720° circle, 0 at gas-exchange TDC: the crank angle at which the piston is highest.
"""
