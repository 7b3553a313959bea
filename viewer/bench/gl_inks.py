"""How each layer of the scene is coloured, in the language of the graphics library.

The formulas are those of the report's picture (``viewer.report.scene_render``): grazing light darkens a rim,
so that a translucent bone has an edge. ``n`` is the surface's normal, z to the reader.
"""

from __future__ import annotations

from viewer.report.scene_render import (
    DOT_PITCH_PX,
    DOT_RADIUS_SHARE,
    DOTS_FADE_MM,
    HATCH_DEPTH_FRACTION,
    HATCH_PITCH_PX,
    HATCH_SHARE,
    RING_EVERY_MM,
    RING_HALF_PX,
)

_BEGIN = """
  {
    vec3 n = normalVCVSOutput;
    float grazing = clamp(1.0 - abs(n.z), 0.0, 1.0);
    vec3 light = normalize(vec3(-0.45, 0.75, 0.55));
    vec3 middle = normalize(light + vec3(0.0, 0.0, 1.0));
    float lit = max(dot(n, light), 0.0);
    vec2 at_px = gl_FragCoord.xy / pixels_per_px;
"""

UNSEEN = "\n  gl_FragData[0] = vec4(0.0, 0.0, 0.0, 0.0012);\n"
"""Fills the depth alone, so that of each layer only the nearest side is coloured. Not wholly transparent:
that would be left out; it changes no colour of eight bits."""

GHOST = (
    _BEGIN
    + """
    gl_FragData[0] = vec4(diffuseColor, strength * (0.05 + 0.30 * pow(grazing, 2.5)));
  }
"""
)

FAR_SIDE = (
    _BEGIN
    + """
    gl_FragData[0] = vec4(diffuseColor * (0.5 + 0.35 * lit), 0.16 + 0.34 * grazing * grazing);
  }
"""
)

NEAR_SIDE = (
    _BEGIN
    + f"""
    float shine = pow(max(dot(n, middle), 0.0), 38.0);
    float across = dot(at_px, vec2(cos(hatch), -sin(hatch)));
    float off_px = abs(mod(across, {HATCH_PITCH_PX}) - {HATCH_PITCH_PX / 2});
    float line = clamp(({HATCH_SHARE * HATCH_PITCH_PX / 2} - off_px) * pixels_per_px + 0.5, 0.0, 1.0)
      * {HATCH_DEPTH_FRACTION};
    float depth = dot(vertexVC.xyz - ring_from, ring_along);
    float off_mm = abs(mod(depth + {RING_EVERY_MM / 2}, {RING_EVERY_MM}) - {RING_EVERY_MM / 2});
    float ring = depth > 1.0 && depth < ring_until
      ? clamp(({RING_HALF_PX} - off_mm * scale_px) * pixels_per_px + 0.5, 0.0, 1.0) : 0.0;
    vec3 colour = diffuseColor * (0.64 + 0.5 * lit) * (1.0 - 1.5 * line);
    colour = mix(colour, ink, 0.5 * ring);
    float cover = max(0.22 + 0.58 * pow(grazing, 1.7) + line, 0.32 * ring);
    gl_FragData[0] = vec4(clamp(colour + 0.4 * shine, 0.0, 1.0), clamp(cover + 0.25 * shine, 0.0, 1.0));
  }}
"""
)

JOINT = (
    _BEGIN
    + f"""
    vec2 place = at_px / {DOT_PITCH_PX};
    float row = floor(place.y / 0.87);
    vec2 from_dot = vec2(fract(place.x + 0.5 * mod(row, 2.0)) - 0.5, (fract(place.y / 0.87) - 0.5) * 0.87);
    float in_px = ({DOT_RADIUS_SHARE} - length(from_dot)) * {DOT_PITCH_PX};
    float dot_ = clamp(in_px * pixels_per_px + 0.5, 0.0, 1.0);
    vec2 way = screw_to.xy - screw_from.xy;
    vec2 off = vertexVC.xy - screw_from.xy;
    off -= way * clamp(dot(off, way) / max(dot(way, way), 1e-6), 0.0, 1.0);
    float clear = clamp((length(off) - screw_radius) / {DOTS_FADE_MM}, 0.25, 1.0);
    float share = strength * (screw_radius < 0.0 ? 1.0 : clear);
    gl_FragData[0] = vec4(diffuseColor, share * (0.06 + 0.50 * dot_));
  }}
"""
)

METAL = (
    _BEGIN
    + """
    float shine = pow(max(dot(n, middle), 0.0), 24.0);
    vec3 colour = (diffuseColor * (0.42 + 0.62 * lit) + 0.5 * shine) * (1.0 - 0.45 * grazing * grazing);
    gl_FragData[0] = vec4(mix(clamp(colour, 0.0, 1.0), ground, paleness), 1.0);
  }
"""
)
