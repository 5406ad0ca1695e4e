"""Writes envelope_check.csv: the first echo of some records by numpy and scipy, to hold the evaluation against.

The record is correlated with a 5 MHz, 60 % Gaussian pulse by FFT; scipy.signal.hilbert gives the envelope; its top is found on
the 64 times resampled envelope (scipy.signal.resample). Run here: python3 envelope_check.py (numpy 2.4, scipy 1.17).
"""
import json, os
import numpy as np
from scipy.signal import hilbert, resample

here = os.path.dirname(os.path.abspath(__file__))
cases = {c['name']: c for c in json.load(open(os.path.join(here, 'manifest.json')))['cases']}
f0, bandwidth = 5e6, 0.6
sigma = 1 / (2 * np.pi * bandwidth * f0 / (2 * np.sqrt(2 * np.log(2))))
with open(os.path.join(here, 'envelope_check.csv'), 'w') as out:
    out.write('case,id,time_ns,height_code\n')
    # Records whose first echo is the highest: the check is of the filter, not of the choice.
    for name, records in (('flat10', (0, 7, 15)), ('wedge_16bit', (24, 31, 39)), ('coupling_bursts', (0, 7, 15))):
        c = cases[name]
        n, fs = c['n_samples'], c['fs_hz']
        x = np.fromfile(os.path.join(here, c['waveforms']), '<i2').reshape(-1, n).astype(float)
        t = (np.arange(4 * n) - 2 * n) / fs
        pulse = np.exp(-t * t / (2 * sigma ** 2)) * np.cos(2 * np.pi * f0 * t)
        for k in records:
            y = np.zeros(4 * n)
            y[:n] = x[k] - x[k].mean()
            corr = np.fft.irfft(np.fft.rfft(y) * np.conj(np.fft.rfft(np.fft.ifftshift(pulse))), 4 * n) / (pulse ** 2).sum()
            env = np.abs(resample(hilbert(corr), 64 * 4 * n))
            near = np.arange(int(64 * (6.2e-6 - c['t_start_us'] * 1e-6) * fs), 64 * n)
            rough = near[np.argmax(env[near] > 0.9 * env[near].max())]
            top = rough + np.argmax(env[rough:rough + 64 * 40])
            out.write('%s,%d,%.4f,%.3f\n' % (name, k, (c['t_start_us'] * 1e-6 + top / 64 / fs) * 1e9, env[top]))
