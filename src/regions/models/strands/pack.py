"""Packs rendered sitters for training: a window about each head (picture, parts, truth) and drawn strands.

    pack.py DUMPS TRUTH office.xz

DUMPS/ID.f32 holds what the program has before this net is asked, as little-endian floats: width, height; middle
of the eyes, right and down vectors (x, y each); eyes to chin, eye span (pixels); number of landmarks and their
x, y; the three sizes of the parts net's map; then three planes of the picture (sRGB-encoded), eleven of the
parts (person, face skin, body skin, hair, brows, sclera, iris, lips, teeth, clothing, worn) and the map. A few
lines in `find_in_stages` before `strands::settle` wrote them; TRUTH/ID/parts.png is the rendered map of parts.
"""
import json, lzma, pickle, sys

import cv2
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
# drawn strands: coverage and tone
R=np.random.default_rng(5); n=320; S=2; cov=[]; tone=[]
for k in range(48):
    style=k%6; a=np.zeros((n*S,n*S),np.float32); b=np.full((n*S,n*S),.5,np.float32)
    yy,xx=np.mgrid[0:9,0:9]; field=cv2.resize(R.normal(0,.5,(4,4)).astype(np.float32),(n*S,n*S),interpolation=cv2.INTER_CUBIC)+R.uniform(0,2*np.pi)
    dens=cv2.resize(R.uniform(0,1,(3,3)).astype(np.float32),(n*S,n*S),interpolation=cv2.INTER_CUBIC)
    count,length,width,jit,curl={0:(5000,(4,16),(1,1.7),.35,.02),1:(1500,(15,60),(1,2.4),.5,.05),2:(260,(100,320),(1,2.6),.25,.008),3:(1500,(25,70),(1,2.4),3,.16),4:(3500,(1.5,4),(1,2),1,.0),5:(700,(40,150),(1,3.2),.3,.02)}[style]
    count=int(count*np.exp(R.normal(0,.6)))
    for j in range(count):
        x,y=R.uniform(-20,n+20,2); ix,iy=int(np.clip(x*S,0,n*S-1)),int(np.clip(y*S,0,n*S-1))
        if R.uniform()>np.clip(dens[iy,ix]*1.6-.3,0,1): continue
        L=R.uniform(*length); m=max(3,int(L/3)); ang=field[iy,ix]+R.normal(0,jit); k1=R.normal(0,curl)+ (R.choice([-1,1])*curl if style==3 else 0)
        th=ang+k1*np.arange(m)*L/m+np.cumsum(R.normal(0,.02,m)); px=x+np.cumsum(np.cos(th))*L/m; py=y+np.cumsum(np.sin(th))*L/m
        pts=np.round(np.stack([px,py],1)*S*16).astype(np.int32)[None]; w=max(1,int(round(R.uniform(*width)*S*(.75 if style!=4 else 1))))
        cv2.polylines(a,pts,False,1.0,w,cv2.LINE_8,4); cv2.polylines(b,pts,False,float(np.clip(R.normal(.5,.2),0,1)),w,cv2.LINE_8,4)
    cov.append(cv2.resize(a,(n,n),interpolation=cv2.INTER_AREA)); tone.append(cv2.resize(b,(n,n),interpolation=cv2.INTER_AREA))
cov=np.array(cov); tone=np.array(tone); print('cover',cov.mean((1,2)).round(2))
out['bank']=np.round(np.stack([cov,tone],1)*63).astype(np.uint8)
out['meta']=np.frombuffer(json.dumps(meta).encode(),np.uint8)
open(sys.argv[3],'wb').write(lzma.compress(pickle.dumps(out),preset=4))
