#include "textflag.h"

// func sum(dst []float32, terms []Term)
// Products and sums are rounded each by itself, as without vectors.
TEXT ·sum(SB), NOSPLIT, $0-48
	MOVQ dst_base+0(FP), DI
	MOVQ dst_len+8(FP), DX
	MOVQ terms_base+24(FP), SI
	MOVQ terms_len+32(FP), BX
	SUBQ $32, DX                  // where the last 32 begin
	XORQ AX, AX

next:
	VXORPS Y0, Y0, Y0
	VXORPS Y1, Y1, Y1
	VXORPS Y2, Y2, Y2
	VXORPS Y3, Y3, Y3
	MOVQ   SI, R8
	MOVQ   BX, CX
	TESTQ  CX, CX
	JZ     store

term:
	MOVQ         (R8), R9         // Samples
	VBROADCASTSS 24(R8), Y4       // Weight
	VMULPS       (R9)(AX*4), Y4, Y5
	VMULPS       32(R9)(AX*4), Y4, Y6
	VMULPS       64(R9)(AX*4), Y4, Y7
	VMULPS       96(R9)(AX*4), Y4, Y8
	VADDPS       Y5, Y0, Y0
	VADDPS       Y6, Y1, Y1
	VADDPS       Y7, Y2, Y2
	VADDPS       Y8, Y3, Y3
	ADDQ         $32, R8
	DECQ         CX
	JNZ          term

store:
	VMOVUPS Y0, (DI)(AX*4)
	VMOVUPS Y1, 32(DI)(AX*4)
	VMOVUPS Y2, 64(DI)(AX*4)
	VMOVUPS Y3, 96(DI)(AX*4)
	CMPQ    AX, DX
	JGE     done
	ADDQ    $32, AX
	CMPQ    AX, DX
	JLE     next
	MOVQ    DX, AX                // some of the last 32 once more
	JMP     next

done:
	VZEROUPPER
	RET

// func farthest(a, b []float32) float32
TEXT ·farthest(SB), NOSPLIT, $0-52
	MOVQ     a_base+0(FP), SI
	MOVQ     a_len+8(FP), CX
	MOVQ     b_base+24(FP), DI
	VXORPS   Y0, Y0, Y0
	VXORPS   Y1, Y1, Y1
	VPCMPEQD Y7, Y7, Y7
	VPSRLD   $1, Y7, Y7           // all but the sign
	XORQ     AX, AX

differ:
	VMOVUPS (DI)(AX*4), Y2
	VMOVUPS 32(DI)(AX*4), Y3
	VMOVUPS 64(DI)(AX*4), Y4
	VMOVUPS 96(DI)(AX*4), Y5
	VSUBPS  (SI)(AX*4), Y2, Y2
	VSUBPS  32(SI)(AX*4), Y3, Y3
	VSUBPS  64(SI)(AX*4), Y4, Y4
	VSUBPS  96(SI)(AX*4), Y5, Y5
	VANDPS  Y7, Y2, Y2
	VANDPS  Y7, Y3, Y3
	VANDPS  Y7, Y4, Y4
	VANDPS  Y7, Y5, Y5
	VMAXPS  Y2, Y0, Y0
	VMAXPS  Y3, Y1, Y1
	VMAXPS  Y4, Y0, Y0
	VMAXPS  Y5, Y1, Y1
	ADDQ    $32, AX
	CMPQ    AX, CX
	JLT     differ
	VMAXPS  Y1, Y0, Y0

	VEXTRACTF128 $1, Y0, X1
	VMAXPS       X1, X0, X0
	VSHUFPS      $0x4e, X0, X0, X1
	VMAXPS       X1, X0, X0
	VSHUFPS      $0xb1, X0, X0, X1
	VMAXPS       X1, X0, X0
	VMOVSS       X0, ret+48(FP)
	VZEROUPPER
	RET

// func stereo16(left, right []float32, raw []byte)
TEXT ·stereo16(SB), NOSPLIT, $0-72
	MOVQ         left_base+0(FP), DI
	MOVQ         left_len+8(FP), CX
	MOVQ         right_base+24(FP), SI
	MOVQ         raw_base+48(FP), R8
	MOVL         $0x38000000, AX  // 1/32768
	VMOVD        AX, X7
	VPBROADCASTD X7, Y7
	XORQ         AX, AX

frames:
	VMOVDQU   (R8)(AX*4), Y0
	VMOVDQU   32(R8)(AX*4), Y2
	VPSRAD    $16, Y0, Y1
	VPSRAD    $16, Y2, Y3
	VPSLLD    $16, Y0, Y0
	VPSLLD    $16, Y2, Y2
	VPSRAD    $16, Y0, Y0
	VPSRAD    $16, Y2, Y2
	VCVTDQ2PS Y0, Y0
	VCVTDQ2PS Y1, Y1
	VCVTDQ2PS Y2, Y2
	VCVTDQ2PS Y3, Y3
	VMULPS    Y7, Y0, Y0
	VMULPS    Y7, Y1, Y1
	VMULPS    Y7, Y2, Y2
	VMULPS    Y7, Y3, Y3
	VMOVUPS   Y0, (DI)(AX*4)
	VMOVUPS   Y1, (SI)(AX*4)
	VMOVUPS   Y2, 32(DI)(AX*4)
	VMOVUPS   Y3, 32(SI)(AX*4)
	ADDQ      $16, AX
	CMPQ      AX, CX
	JLT       frames
	VZEROUPPER
	RET

// func dots(sums *[16]float64, x, a, b, c, d []float64)
TEXT ·dots(SB), NOSPLIT, $0-128
	MOVQ   sums+0(FP), DI
	MOVQ   x_base+8(FP), SI
	MOVQ   x_len+16(FP), CX
	MOVQ   a_base+32(FP), R8
	MOVQ   b_base+56(FP), R9
	MOVQ   c_base+80(FP), R10
	MOVQ   d_base+104(FP), R11
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	XORQ   AX, AX

four:
	VMOVUPD (SI)(AX*8), Y4
	VMULPD  (R8)(AX*8), Y4, Y5
	VMULPD  (R9)(AX*8), Y4, Y6
	VMULPD  (R10)(AX*8), Y4, Y7
	VMULPD  (R11)(AX*8), Y4, Y8
	VADDPD  Y5, Y0, Y0
	VADDPD  Y6, Y1, Y1
	VADDPD  Y7, Y2, Y2
	VADDPD  Y8, Y3, Y3
	ADDQ    $4, AX
	CMPQ    AX, CX
	JLT     four

	VMOVUPD Y0, (DI)
	VMOVUPD Y1, 32(DI)
	VMOVUPD Y2, 64(DI)
	VMOVUPD Y3, 96(DI)
	VZEROUPPER
	RET
