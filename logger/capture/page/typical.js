// Half the usual 95 % interval [%] of peak wheel power, and of road load at its worst, by pairs: made of
// kept figures of simulated sessions by tests/support/make_page_typical.py.
export const TYPICAL = {clean: {power: [3.1, 2.3, 2.0, 1.8], load: [4.8, 3.8, 3.4, 3.1]}, rough: {power: [9.4, 6.7, 5.4, 4.7], load: [7.9, 5.6, 4.6, 4.0]}, gps: {power: [18.4, 13.0, 10.6, 9.2], load: [12.1, 8.6, 7.0, 6.1]}};
