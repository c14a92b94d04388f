"""Packs rendered sitters for training: a window about each head (picture, parts, truth).

    pack.py DUMPS TRUTH office.xz

DUMPS/ID.f32 holds what the program has before this net is asked, as little-endian floats: width, height; middle
of the eyes, right and down vectors (x, y each); eyes to chin, eye span (pixels); number of landmarks and their
x, y; the three sizes of the parts net's map; then three planes of the picture (sRGB-encoded), eleven of the
parts (person, face skin, body skin, hair, brows, sclera, iris, lips, teeth, clothing, worn) and the map. A few
lines in `find_in_stages` before `strands::settle` wrote them; TRUTH/ID/parts.png is the rendered map of parts.
"""
import json, lzma, pickle, sys

import numpy as np
from PIL import Image


def load(path):
    a = np.fromfile(path, np.float32)
    w, h = int(a[0]), int(a[1])
    n, p = int(a[10]), 11
    p += 2 * n
    c = a[p:p + 3].astype(int)
    p += 3
    rgb = a[p:p + 3 * h * w].reshape(3, h, w)
    p += 3 * h * w
    mat = a[p:p + 11 * h * w].reshape(11, h, w)
    p += 11 * h * w
    return dict(w=w, h=h, mid=a[2:4], right=a[4:6], down=a[6:8], unit=float(a[8]), span=float(a[9]), rgb=rgb, mat=mat, cls=a[p:].reshape(*c))


out = {}
meta={}
for i in range(1,10):
    s=f's0{i}'; d=load(f'{sys.argv[1]}/{s}.f32'); t=np.asarray(Image.open(f'{sys.argv[2]}/{s}/parts.png')); u=d['unit']; mx,my=d['mid']
    x0,x1=int(mx-1.6*u)//2*2,int(mx+1.6*u)//2*2; y0,y1=int(my-1.65*u)//2*2,int(my+1.55*u)//2*2
    x0,y0=max(x0,0),max(y0,0); x1,y1=min(x1,d['w']),min(y1,d['h']); r=np.s_[y0:y1,x0:x1]
    q=np.round(np.clip(d['rgb'][:,y0:y1,x0:x1],0,1)*1023).astype(np.int32)
    out[s+'_rgb']=np.diff(q,axis=2,prepend=0).astype(np.int16)                      # differences, so that it packs well
    out[s+'_mat']=np.round(np.clip(d['mat'][:,y0:y1,x0:x1],0,1)*255).astype(np.uint8)
    out[s+'_cls']=np.round(np.clip(d['cls'][:,y0//2:y1//2,x0//2:x1//2],0,1)*255).astype(np.uint8)[[3,10]]
    out[s+'_true']=t[r].astype(np.uint8)
    lin=np.where(d['rgb']<=.04045,d['rgb']/12.92,((d['rgb']+.055)/1.055)**2.4); lum=(lin*np.array([.2126,.7152,.0722],np.float32)[:,None,None]).sum(0)
    sk=d['mat'][1]>.9; meta[s]=dict(x0=x0,y0=y0,mid=[float(mx-x0),float(my-y0)],right=d['right'].tolist(),down=d['down'].tolist(),unit=u,span=d['span'],skin=float(np.median(lum[sk])))
    print(s,r,meta[s]['skin'])
out['meta']=np.frombuffer(json.dumps(meta).encode(),np.uint8)
open(sys.argv[3],'wb').write(lzma.compress(pickle.dumps(out),preset=4))
