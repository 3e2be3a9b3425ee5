#include "sim/world/inside.h"

static uint64_t mix(uint64_t x)
{
    x += 0x9e3779b97f4a7c15u;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9u;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebu;
    return x ^ (x >> 31);
}

double noise_uniform(uint64_t seed, uint64_t stream, uint64_t index)
{
    uint64_t x = mix(mix(mix(seed) ^ stream) ^ index);
    return (double)(x >> 11) * (1.0 / 9007199254740992.0);
}

/* Twelve uniforms: near enough to a normal deviate, and never far out. */
double noise_gauss(uint64_t seed, uint64_t stream, uint64_t index)
{
    double sum = -6.0;
    for (uint64_t i = 0; i < 12; i++)
        sum += noise_uniform(seed, stream * 12 + i, index);
    return sum;
}
