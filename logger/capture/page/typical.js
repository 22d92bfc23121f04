// Half the usual 95 % interval [%] of peak wheel power, and of road load at its worst, by pairs: made of
// kept figures of simulated sessions by tests/support/make_page_typical.py.
export const TYPICAL = {clean: {power: [3.6, 2.8, 2.4, 2.2], load: [4.1, 3.2, 2.9, 2.7]}, rough: {power: [9.4, 6.6, 5.4, 4.7], load: [6.6, 4.7, 3.8, 3.3]}, gps: {power: [29.5, 20.8, 17.0, 14.7], load: [9.1, 6.5, 5.3, 4.6]}};
