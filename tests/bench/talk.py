"""Talk that is none of the technician's business: general sentences, several people at once, a voice on the radio.

Sentences are invented; some hold figures and some trade words, as talk in a shop does. Development and held-out
sentences differ, as their voices do.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, sosfilt

from tests.bench.noise import RATE, shop_noise
from tests.bench.voices import SPLITS, say

SENTENCES = {
    "development": (
        "my dog ate the newspaper this morning", "did you see the game last night", "hand me that wrench please",
        "what time are we going to lunch", "the customer wants to know when it will be ready", "watch out for the cable over there",
        "I think it is going to rain tomorrow", "turn the radio down I am trying to work", "call the parts store about the order",
        "this bolt is completely stuck", "we should clean the floor before we close", "who parked the truck in front of the door",
        "she paid forty dollars for two tickets", "he will be here around ten thirty", "put it on the left side of the shelf",
        "there were fifteen people in line before me", "my brother moved to the coast three years ago", "is the coffee still warm",
        "the game starts at seven and ends before nine", "you could have told me that yesterday", "no I do not need a bag thank you",
        "the road is closed after the second bridge", "he charged his phone for half an hour", "let me look for my other glove",
        "the kids want pizza again tonight", "it was ninety degrees at the beach", "we sold the last one on Monday",
        "a friend of mine has the same car in blue", "open the big door a little more", "yes that is exactly what she said",
    ),
    "heldout": (
        "could you move your car a little forward", "my sister is getting married in June", "the printer is out of paper again",
        "I left my sandwich on the workbench", "he wants the tires rotated before the weekend", "how much did they ask for the old trailer",
        "the phone has been ringing all afternoon", "somebody borrowed the long ladder", "we ran out of paper towels on Friday",
        "the invoice says sixty five but we agreed on fifty", "take the second left after the gas station", "it took me eighteen minutes to get here",
        "they lost by thirteen points in the first half", "the high school is on the other side of town", "is anyone in line for the bathroom",
        "she has been working here for thirty years", "tell him I will call back after four", "the weather was terrible on our vacation",
        "that song was number one when I was seventeen", "please shut the door it is cold in here", "next time bring your own gloves",
        "no I have not seen the red screwdriver", "my neighbor bought a boat for nine hundred dollars", "the bus leaves at twenty past eight",
        "we need more light on the low shelf", "the new guy starts on the fifteenth", "sweep under the bench before you go home",
        "I read that book twice and still did not get it", "there is a leak in the roof over the office", "can you check the oil in the blue van",
    ),
}


def one_person(seconds: float, seed: int, split: str) -> np.ndarray:
    """Somebody else talks, sentence after sentence with pauses; root mean square 1 over the whole."""
    rng = np.random.default_rng((seed, 0x7A1C))
    voice = SPLITS[split][rng.integers(len(SPLITS[split]))]
    pieces, total = [], 0
    while total < seconds * RATE:
        speech = say(voice, str(rng.choice(SENTENCES[split])))
        pieces += [_level(speech) * rng.uniform(0.7, 1.0), np.zeros(int(rng.uniform(0.2, 1.2) * RATE))]
        total += len(pieces[-1]) + len(pieces[-2])
    return _level(np.concatenate(pieces)[: int(seconds * RATE)]).astype(np.float32)


def babble(seconds: float, seed: int, split: str, people: int = 4) -> np.ndarray:
    """Several people at once, none of them to be made out for long."""
    return _level(sum(one_person(seconds, seed * 101 + i, split) for i in range(people))).astype(np.float32)


def radio(seconds: float, seed: int, split: str) -> np.ndarray:
    """A radio: music, somebody talking over it half of the time, both through a small loudspeaker."""
    rng = np.random.default_rng((seed, 0x4AD1))
    music = shop_noise(seconds, int(rng.integers(2**31)), ("music",))
    if rng.random() < 0.5:
        music = 0.4 * music + one_person(seconds, seed, split)
    return _level(sosfilt(butter(3, (300, 4000), "bandpass", fs=RATE, output="sos"), music)).astype(np.float32)


def _level(sound: np.ndarray) -> np.ndarray:
    return sound / max(1e-9, float(np.sqrt((sound**2).mean())))
