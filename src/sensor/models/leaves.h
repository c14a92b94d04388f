// Dead leaves: what covers what is decided front to back, each pixel is the mean of 4 x 4 points.
// One source for the accelerator (NVRTC) and for a C compiler (trial on a processor).
#if defined(__CUDACC__) || defined(__CUDACC_RTC__)
#define FN __device__ __forceinline__
#else
#include <math.h>
#define FN static inline
#endif
#define LEAF 32
typedef unsigned int u32;

FN u32 mix(u32 h) { h ^= h >> 16; h *= 0x7feb352du; h ^= h >> 15; h *= 0x846ca68bu; h ^= h >> 16; return h; }
FN float hash2(int x, int y, u32 seed) { return (mix(mix((u32)x * 0x9e3779b1u + seed) ^ (u32)y * 0x85ebca77u) >> 8) * (1.0f / 16777216.0f); }
FN float smooth(float t) { return t * t * (3.0f - 2.0f * t); }
FN float noise1(float x, u32 seed) {
  float f = floorf(x), t = smooth(x - f); int i = (int)f;
  float a = hash2(i, 17, seed), b = hash2(i + 1, 17, seed); return a + t * (b - a);
}
FN float noise2(float x, float y, u32 seed) {
  float fx = floorf(x), fy = floorf(y), s = smooth(x - fx), t = smooth(y - fy); int i = (int)fx, j = (int)fy;
  float a = hash2(i, j, seed), b = hash2(i + 1, j, seed), c = hash2(i, j + 1, seed), d = hash2(i + 1, j + 1, seed);
  float p = a + s * (b - a), q = c + s * (d - c); return p + t * (q - p);
}
FN float fbm(float x, float y, float rough, u32 seed) {
  float sum = 0, w = 1, all = 0;
  for (int o = 0; o < 5; o++) { sum += w * noise2(x, y, seed + o * 977u); all += w; w *= rough; x *= 2.03f; y *= 2.03f; }
  return sum / all;
}
FN float part(float x) { return x - floorf(x); }
FN float clamp1(float x) { return fminf(fmaxf(x, 0.0f), 1.0f); }

// Is the point (dx, dy from the leaf's centre) inside?
FN int inside(const float *l, float dx, float dy) {
  float u = l[4] * dx + l[5] * dy, v = -l[5] * dx + l[4] * dy, a = l[6], b = l[7];
  switch ((int)l[3]) {
    case 0: return u * u / (a * a) + v * v / (b * b) < 1.0f;
    case 1: return fabsf(u) < a && fabsf(v) < b;
    case 2: return fabsf(u) < a * (1.0f - (v + b) / (2.0f * b)) && fabsf(v) < b; // triangle
    case 3: { // blob with a wavy rim
      float r = sqrtf(u * u + v * v), t = atan2f(v, u);
      return r < a * (0.7f + 0.2f * sinf(l[8] * t + l[9]) + 0.1f * sinf((l[8] + 2.0f) * t - l[9]));
    }
    case 4: { // bent strand: l[8] is the bend, a the half length, b the half width
      float w = v - l[8] * (u * u / a - 0.33f * a) - 0.06f * a * sinf(3.0f * u / a + l[9]);
      return fabsf(u) < a && fabsf(w) < b * (1.0f - 0.5f * u * u / (a * a));
    }
    case 5: { // ring
      float r = sqrtf(u * u + v * v); return fabsf(r - a + b) < b;
    }
  }
  return 1; // 6: backdrop
}

FN void colour(const float *l, float dx, float dy, float *out) {
  float u = l[17] * dx + l[18] * dy, v = -l[18] * dx + l[17] * dy;
  float f = l[19], g = l[20], ph = l[21], amp = l[22], t = 0.0f, shade = 1.0f;
  u32 seed = (u32)l[23];
  const float *A = l + 10, *B = l + 13;
  switch ((int)l[16]) {
    case 1: t = 0.5f + 0.5f * sinf(6.2831853f * (f * u + ph)); break;
    case 2: t = part(f * u + ph) < amp ? 1.0f : 0.0f; break;
    case 3: { float p = part(f * u + ph) < amp, q = part(g * v + ph) < amp; t = 0.5f * (p + q); break; }
    case 4: t = clamp1(0.5f + 2.2f * (fbm(u * f, v * g, amp, seed) - 0.5f)); break;
    case 5: { // strands
      float s = v + 1.5f / f * sinf(u * g * 2.0f + ph) + 2.0f * (noise1(u * g, seed) - 0.5f) / f;
      t = 0.5f * noise2(s * f, u * g, seed + 5u) + 0.3f * noise2(s * f * 2.1f, u * g * 0.7f, seed + 7u) + 0.2f * noise1(s * f * 0.31f, seed + 9u);
      t = clamp1(0.5f + 2.0f * (t - 0.5f)); break;
    }
    case 6: { // stitches of several colours
      float row = floorf(v * f), p, q; int j = (int)row;
      float w = u * g + 0.5f * (j & 1); int i = (int)floorf(w);
      p = part(w) - 0.5f; q = v * f - row - 0.5f;
      float h = hash2(i, j, seed);
      if (h > 0.66f) { B = l + 26; t = 1.0f; } else t = h > 0.33f ? 1.0f : 0.0f;
      float bow = q + 0.5f * fabsf(p);
      shade = 1.0f - amp * clamp1(2.2f * fabsf(p) * fabsf(p) * 2.0f + 1.2f * bow * bow); break;
    }
    case 7: { float p = part(u * f + ph) - 0.5f, q = part(v * f) - 0.5f; t = p * p + q * q < 0.2f * amp ? 1.0f : 0.0f; break; }
    case 8: shade = 1.0f + amp * (noise2(dx * f, dy * f, seed) - 0.5f) + 0.7f * amp * (noise2(dx * f * 0.5f, dy * f * 0.5f, seed + 3u) - 0.5f); break;
    case 9: t = clamp1(6.0f * (fbm(u * f, v * g, 0.6f, seed) - 0.5f + 0.3f * (amp - 0.5f))); break;
    case 10: t = 0.5f + 0.5f * sinf(3.1415927f * f * (u * u + g * v * v) + ph); break;
    case 11: t = (part(f * u + ph) < 0.5f) != (part(g * v) < 0.5f) ? 1.0f : 0.0f; break;
    case 12: { // little squares, each of a colour of its own between three
      int i = (int)floorf(u * f), j = (int)floorf(v * g);
      float h = hash2(i, j, seed), k = hash2(i, j, seed + 1u);
      for (int c = 0; c < 3; c++) out[c] = (A[c] + h * (B[c] - A[c])) * (1.0f - 0.5f * k) + 0.5f * k * l[26 + c];
      float s = expf(fminf(fmaxf(l[24] * dx + l[25] * dy, -2.0f), 2.0f));
      for (int c = 0; c < 3; c++) out[c] *= s;
      return;
    }
    case 14: { // knitted: slanted stitches in mirrored pairs, of several plies
      float column = floorf(u * f), p = part(u * f) - 0.5f, lean = v * g + 1.1f * fabsf(p);
      float row = floorf(lean), q = lean - row - 0.5f;
      int many = 2 + (int)(4.0f * ph);
      float h = ph < 0.5f ? hash2((int)column, (int)row, seed) : hash2((int)column % many, (int)row % (many + 1), seed);
      if (h > 0.7f) { B = l + 26; t = 1.0f; } else t = h > 0.4f ? 1.0f : 0.0f;
      float ply = sinf(6.2831853f * (2.0f + 2.0f * ph) * (fabsf(p) + 0.3f * q));
      float r = fabsf(fabsf(p) - 0.25f) * 4.0f;
      shade = (1.0f - amp * clamp1(r * r * 0.7f + 2.0f * q * q)) * (1.0f + 0.25f * amp * ply); break;
    }
    case 15: { // like small print: marks on a grid of their own in every place of a line
      float line = floorf(v * g), y = (v * g - line) * 7.0f, place = floorf(u * f), x = (u * f - place) * 5.0f;
      int i = (int)x, j = (int)y; u32 h = mix(seed + mix((u32)(int)place * 0x9e3779b1u + (u32)(int)line * 0x85ebca77u));
      int in = i < 4 && j < 5, blank = (h & 7u) == 0u;
      u32 bit = (i == 0 || i == 3 || j == 0 || j == 2 || j == 4) ? (h >> (3 + i * 5 + j)) & 1u : 0u;
      t = in && !blank && bit ? 1.0f : 0.0f; break;
    }
    case 13: { // twill: slanted ribs of woven threads
      float p = part(f * (u + 0.5f * v) + ph), q = part(g * v); t = clamp1(1.5f * fabsf(p - 0.5f) * 2.0f - 0.3f); shade = 1.0f - 0.3f * amp * fabsf(q - 0.5f); break;
    }
  }
  shade *= expf(fminf(fmaxf(l[24] * dx + l[25] * dy, -2.0f), 2.0f));
  if (l[3] == 4.0f) { // a strand's sheen along it, its roundness across
    float p = (l[4] * dx + l[5] * dy) / l[6], q = -l[5] * dx + l[4] * dy;
    float w = (q - l[8] * (p * p * l[6] - 0.33f * l[6]) - 0.06f * l[6] * sinf(3.0f * p + l[9])) / l[7];
    shade *= (1.0f + l[29] * sinf(l[30] * p + l[9])) * (1.0f - l[31] * fminf(w * w, 1.0f));
  }
  for (int c = 0; c < 3; c++) out[c] = shade * (A[c] + t * (B[c] - A[c]));
}

// The pixel (x, y) of picture n, linear light; frame: width of the pixel's square, grain, seed, spare.
FN void pixel(const float *bounds, const float *leaves, const float *frame, int n, int x, int y, int count, float *out) {
  float wide = frame[4 * n], sum[3] = {0, 0, 0}, px = x + 0.5f, py = y + 0.5f;
  u32 open = 0xffffu;
  float margin = 0.75f * wide;
  const float *bound = bounds + 4 * (long)n * count;
  for (int k = 0; k < count && open; k++) {
    float dx = px - bound[4 * k], dy = py - bound[4 * k + 1], r = bound[4 * k + 2] + margin;
    if (dx * dx + dy * dy > r * r) continue;
    const float *l = leaves + LEAF * ((long)n * count + k);
    for (int s = 0; s < 16; s++) {
      if (!(open >> s & 1u)) continue;
      float ex = dx + wide * (((s & 3) + 0.5f) * 0.25f - 0.5f), ey = dy + wide * (((s >> 2) + 0.5f) * 0.25f - 0.5f);
      if (!inside(l, ex, ey)) continue;
      float c[3]; colour(l, ex, ey, c);
      open &= ~(1u << s);
      sum[0] += c[0]; sum[1] += c[1]; sum[2] += c[2];
    }
  }
  float grain = frame[4 * n + 1]; u32 seed = (u32)frame[4 * n + 2];
  float g = 1.0f + grain * (hash2(x, y, seed) + hash2(x, y, seed + 1u) - 1.0f);
  for (int c = 0; c < 3; c++) out[c] = fmaxf(sum[c] * (1.0f / 16.0f) * g, 0.0f);
}

#if defined(__CUDACC__) || defined(__CUDACC_RTC__)
extern "C" __global__ void paint(const float *bounds, const float *leaves, const float *frame, float *out, int side, int count, int pictures) {
  long at = (long)blockIdx.x * blockDim.x + threadIdx.x, plane = (long)side * side;
  if (at >= plane * pictures) return;
  int n = (int)(at / plane); long i = at % plane; int tiles = side / 8;
  // Neighbouring threads share a square of 8 x 8 pixels.
  int tile = (int)(i / 64), y = tile / tiles * 8 + (int)(i % 64) / 8, x = tile % tiles * 8 + (int)(i % 8);
  float c[3]; pixel(bounds, leaves, frame, n, x, y, count, c);
  for (int k = 0; k < 3; k++) out[((long)n * 3 + k) * plane + (long)y * side + x] = c[k];
}
#else
void paint(const float *bounds, const float *leaves, const float *frame, float *out, int side, int count, int pictures) {
  long plane = (long)side * side;
  for (int n = 0; n < pictures; n++)
    for (int y = 0; y < side; y++)
      for (int x = 0; x < side; x++) {
        float c[3]; pixel(bounds, leaves, frame, n, x, y, count, c);
        for (int k = 0; k < 3; k++) out[((long)n * 3 + k) * plane + (long)y * side + x] = c[k];
      }
}
#endif
